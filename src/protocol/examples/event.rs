//! What the bytes of an example give, as a list of events in order.

use std::{
    ops::{Range, RangeInclusive},
    sync::Arc,
};

use crate::{
    protocol::{Action, Decoded, Engine, Example, Function, Piece, Protocol, Reading, RequestId, Value},
    words::EnumWord,
};

/// The readings of one engine, in order, with the problems and device times between them.
#[derive(Debug, Clone)]
pub(super) struct DecodedEvent {
    pub event: ExampleEvent,
    /// The byte with which it came, counted from 1.
    pub byte: usize,
    /// Which bytes of its frame it is from, counted from 0; empty where that is not known.
    pub from: Range<usize>,
}

#[derive(Debug, Clone)]
pub(super) enum ExampleEvent {
    Reading(String, Reading),
    Time(f64),
    Action(Action),
    Lost(u64),
    Itself(String),
    Problem(String),
}

impl DecodedEvent {
    /// Where to look for it.
    pub(super) fn place(&self) -> String {
        match self.from.len() {
            0 => format!("complete with byte {}", self.byte),
            1 => format!("byte {} of its frame", self.from.start + 1),
            _ => format!("bytes {} to {} of its frame", self.from.start + 1, self.from.end),
        }
    }
}

pub(super) fn pieces(example: &Example) -> impl Iterator<Item = (Option<RequestId>, &[u8])> {
    example.pieces.iter().map(|Piece { request, bytes, .. }| (*request, &bytes[..]))
}

pub(super) fn decode<'a>(
    protocol: &Arc<Protocol>,
    pieces: impl Iterator<Item = (Option<RequestId>, &'a [u8])>,
) -> Vec<DecodedEvent> {
    let mut engine = Engine::traced(protocol.clone());
    let (mut out, mut seen, mut byte) = (Decoded::default(), Vec::new(), 0);
    for (request, chunk) in pieces {
        byte += chunk.len();
        out.clear();
        engine.set_request(request);
        engine.push(chunk, &mut out);
        let trace = engine.take_trace();
        let mut begin = 0;
        for (index, frame) in out.frames.iter().enumerate() {
            seen.extend(identities_before(index..=index, &out, byte));
            let lost = out.gaps.iter().find(|gap| gap.before == index).map(|gap| ExampleEvent::Lost(gap.lost));
            seen.extend(lost.map(|event| DecodedEvent { event, byte, from: 0..0 }));
            let readings = out.readings[begin..frame.readings_end].iter().zip(&trace[begin..]);
            seen.extend(readings.map(|(reading, from)| DecodedEvent {
                event: ExampleEvent::Reading(engine.names()[usize::from(reading.name)].clone(), *reading),
                byte,
                from: from.clone(),
            }));
            let apart = [frame.device_time.map(ExampleEvent::Time), frame.action.map(ExampleEvent::Action)];
            seen.extend(apart.into_iter().flatten().map(|event| DecodedEvent { event, byte, from: 0..0 }));
            begin = frame.readings_end;
        }
        seen.extend(identities_before(out.frames.len()..=usize::MAX, &out, byte));
        let problems = out.problems.iter().map(|problem| ExampleEvent::Problem(problem.reason.clone()));
        seen.extend(problems.map(|event| DecodedEvent { event, byte, from: 0..0 }));
    }
    seen
}

/// Identifications that came after this many frames.
fn identities_before(frames: RangeInclusive<usize>, out: &Decoded, byte: usize) -> impl Iterator<Item = DecodedEvent> {
    let said = out.identities.iter().filter(move |(before, _)| frames.contains(before));
    said.map(move |(_, text)| DecodedEvent { event: ExampleEvent::Itself(text.to_owned()), byte, from: 0..0 })
}

pub(super) fn unit_of(function: Function) -> &'static str {
    match function {
        Function::Unknown => "",
        Function::Unit(dimension) => dimension.unit(),
        Function::Exact(quantity) => quantity.word(),
    }
}

pub(super) fn show(event: &ExampleEvent) -> String {
    match event {
        ExampleEvent::Reading(name, reading) => show_reading(name, reading),
        ExampleEvent::Time(time) => format!("@ {time} s"),
        ExampleEvent::Action(action) => format!("> {}", action.word()),
        ExampleEvent::Lost(lost) => format!("{lost} lost"),
        ExampleEvent::Itself(text) => format!("itself: {text}"),
        ExampleEvent::Problem(reason) => reason.clone(),
    }
}

/// A reading as the display shows it: with all its digits.
pub(in crate::protocol) fn show_displayed(name: &str, reading: &Reading) -> String {
    let decimals = reading.decade.and_then(|decade| usize::try_from(-i32::from(decade)).ok());
    match (reading.value, decimals) {
        (Value::Number(value), Some(decimals)) => {
            let rest = show_reading("", &Reading { value: Value::Number(0.0), ..*reading });
            let rest = rest.strip_prefix(" = 0").unwrap_or_default();
            format!("{name} = {:.decimals$}{rest}", value + 0.0)
        }
        _ => show_reading(name, reading),
    }
}

/// A reading in canonical form.
pub(in crate::protocol) fn show_reading(name: &str, reading: &Reading) -> String {
    let value = match reading.value {
        // Nothing below zero is left of a -0.
        Value::Number(value) => (value + 0.0).to_string(),
        Value::Over => "OL".to_owned(),
        Value::Under => "-OL".to_owned(),
    };
    let unit = unit_of(reading.function);
    let mut shown = format!("{name} = {value} {unit}").trim_end().to_owned();
    if !reading.annunciators.is_empty() {
        let words: Vec<_> = reading.annunciators.words().collect();
        shown += &format!(" [{}]", words.join(", "));
    }
    shown
}
