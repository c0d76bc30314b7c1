//! A protocol's examples prove it: each is decoded whole, byte by byte and glued to its neighbour.
//!
//! # Format
//! A reading is told as `name = value unit`: `v1 = 12.45 V DC`, `value = -OL ohm`. What the display
//! shows beside it follows in brackets: `value = 12.45 V [hold, low battery]`. The size of the last
//! digit is told where it matters: `v1 = 12.4 V, digit 0.1`. A frame's device time stands behind
//! its readings: `@ 1.234 s`, and a button's press behind that: `> take`. Frames that are missing
//! before one are told before its readings: `2 lost`. What a meter says of itself is told as
//! `itself: Works,Bench 6`. Values are compared as numbers in base
//! units, never as text.

mod draft;
mod place;

pub(crate) use draft::draft;

use std::{
    ops::{Range, RangeInclusive},
    sync::Arc,
};

use super::{
    Action, Annunciators, Decoded, Engine, Example, Function, Piece, Protocol, Reading, RequestId, Value,
    number::{Numbers, OVERLOAD_WORDS},
};
use crate::{mistake::Mistake, units::Quantity};

/// Fewer examples than this prove nothing.
const FEWEST: usize = 4;

/// An example that does not hold, or too few of them.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(transparent)]
pub(crate) struct ExampleFailure(pub Mistake);

/// Runs all examples of a protocol.
pub(crate) fn check(protocol: &Protocol) -> Vec<ExampleFailure> {
    let fail = |line, message| ExampleFailure(Mistake { file: protocol.origin.clone(), line, message });
    let examples = protocol.examples();
    let mut failures = Vec::new();
    if examples.len() < FEWEST {
        let message = format!("found {} examples, expected at least {FEWEST}", examples.len());
        failures.push(fail(protocol.examples_line, message));
    } else if examples.iter().all(|example| example.refused.is_none()) {
        failures.push(fail(protocol.examples_line, "expected an example of a frame that is `refused`".to_owned()));
    }
    if protocol.hid.is_some() && !examples.iter().any(Example::is_in_reports) {
        failures.push(fail(protocol.examples_line, "expected an example with `hid`, which proves [hid]".to_owned()));
    }
    let shared = Arc::new(protocol.clone());
    for (index, example) in examples.iter().enumerate() {
        let before = index.checked_sub(1).map(|index| &examples[index]);
        let before = before.filter(|_| !example.after_connecting);
        if let Err(message) = check_one(&shared, example).and_then(|()| check_glued(&shared, before, example)) {
            failures.push(fail(example.line, message));
        }
    }
    failures
}

/// The readings of one engine, in order, with the problems and device times between them.
#[derive(Debug, Clone)]
struct DecodedEvent {
    event: ExampleEvent,
    /// The byte with which it came, counted from 1.
    byte: usize,
    /// Which bytes of its frame it is from, counted from 0; empty where that is not known.
    from: Range<usize>,
}

#[derive(Debug, Clone)]
enum ExampleEvent {
    Reading(String, Reading),
    Time(f64),
    Action(Action),
    Lost(u64),
    Itself(String),
    Problem(String),
}

impl DecodedEvent {
    /// Where to look for it.
    fn place(&self) -> String {
        match self.from.len() {
            0 => format!("complete with byte {}", self.byte),
            1 => format!("byte {} of its frame", self.from.start + 1),
            _ => format!("bytes {} to {} of its frame", self.from.start + 1, self.from.end),
        }
    }
}

fn check_one(protocol: &Arc<Protocol>, example: &Example) -> Result<(), String> {
    let whole = decode(protocol, pieces(example));
    let single = pieces(example).flat_map(|(request, bytes)| bytes.chunks(1).map(move |byte| (request, byte)));
    compare(protocol, &decode(protocol, single), example)?;
    compare(protocol, &whole, example).map_err(|message| format!("all bytes at once: {message}"))
}

fn pieces(example: &Example) -> impl Iterator<Item = (Option<RequestId>, &[u8])> {
    example.pieces.iter().map(|Piece { request, bytes, .. }| (*request, &bytes[..]))
}

/// Behind the example before it, in one chunk where both answer the same.
fn check_glued(protocol: &Arc<Protocol>, before: Option<&Example>, example: &Example) -> Result<(), String> {
    let Some(before) = before else { return Ok(()) };
    let is_problem = |seen: &DecodedEvent| matches!(seen.event, ExampleEvent::Problem(_));
    let alone = decode(protocol, pieces(before));
    let mut problems = alone.iter().filter(|seen| is_problem(seen)).count();
    let mut readings = alone.len() - problems;
    let mut glued: Vec<(Option<RequestId>, Vec<u8>)> = Vec::new();
    for (request, bytes) in pieces(before).chain(pieces(example)) {
        match glued.last_mut() {
            Some((last, all)) if *last == request => all.extend_from_slice(bytes),
            _ => glued.push((request, bytes.to_vec())),
        }
    }
    let mut seen = decode(protocol, glued.iter().map(|(request, bytes)| (*request, &bytes[..])));
    // What the example before it gave comes first, among the readings and among the problems.
    seen.retain(|seen| {
        let left = if is_problem(seen) { &mut problems } else { &mut readings };
        let is_of_this = *left == 0;
        *left = left.saturating_sub(1);
        is_of_this
    });
    // Whether frames are missing between two examples says nothing about either.
    if let Some(DecodedEvent { event: ExampleEvent::Lost(_), .. }) = seen.iter().find(|seen| !is_problem(seen))
        && example.gives.first().is_none_or(|first| !first.ends_with(" lost"))
    {
        let first = seen.iter().position(|seen| !is_problem(seen)).unwrap_or(0);
        seen.remove(first);
    }
    compare(protocol, &seen, example)
        .map_err(|message| format!("behind the example of line {}: {message}", before.line))
}

fn decode<'a>(
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
            seen.extend(said_before(index..=index, &out, byte));
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
        seen.extend(said_before(out.frames.len()..=usize::MAX, &out, byte));
        let problems = out.problems.iter().map(|problem| ExampleEvent::Problem(problem.reason.clone()));
        seen.extend(problems.map(|event| DecodedEvent { event, byte, from: 0..0 }));
    }
    seen
}

/// What a meter said of itself when so many frames had come.
fn said_before(frames: RangeInclusive<usize>, out: &Decoded, byte: usize) -> impl Iterator<Item = DecodedEvent> {
    let said = out.identities.iter().filter(move |(before, _)| frames.contains(before));
    said.map(move |(_, text)| DecodedEvent { event: ExampleEvent::Itself(text.to_owned()), byte, from: 0..0 })
}

fn compare(protocol: &Arc<Protocol>, seen: &[DecodedEvent], example: &Example) -> Result<(), String> {
    let is_problem = |seen: &&DecodedEvent| matches!(seen.event, ExampleEvent::Problem(_));
    let (problems, readings): (Vec<&DecodedEvent>, Vec<&DecodedEvent>) = seen.iter().partition(is_problem);
    // A cable's report is refused before there are bytes.
    let short = example.short_report().map(|short| (short.to_string(), String::new()));
    let of_frame = || problems.first().map(|seen| (show(&seen.event), format!(" with byte {}", seen.byte)));
    match (&example.refused, short.or_else(of_frame)) {
        (None, None) => {}
        (Some(part), Some((why, _))) if why.contains(part.as_str()) => {}
        (Some(part), Some((why, _))) => return Err(format!("expected refused = \"{part}\", got \"{why}\"")),
        (None, Some((why, place))) => return Err(format!("refused{place}: {why}")),
        (Some(part), None) => return Err(format!("expected refused = \"{part}\", but nothing was")),
    }
    for (index, expected) in example.gives.iter().enumerate() {
        let place = format!("reading {}", index + 1);
        let Some(seen) = readings.get(index) else {
            return Err(format!("{place}: expected \"{expected}\", but no more came"));
        };
        let wanted = ExpectedEvent::read(expected).map_err(|wrong| format!("{place}: {wrong}"))?;
        if !wanted.is(&seen.event) {
            let got = show(&seen.event);
            let at = place::of_difference(protocol, example, index, &wanted, seen).unwrap_or_else(|| seen.place());
            return Err(format!("{place}, {at}: expected \"{expected}\", got \"{got}\""));
        }
    }
    match readings.get(example.gives.len()) {
        Some(seen) => Err(format!("{}: also got \"{}\"", seen.place(), show(&seen.event))),
        None => Ok(()),
    }
}

/// A line of `gives`.
enum ExpectedEvent {
    Time(f64),
    Action(String),
    Lost(u64),
    Itself(String),
    Reading { name: String, value: Value, digit: Option<f64>, unit: &'static str, annunciators: Annunciators },
}

impl ExpectedEvent {
    fn read(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "\"{text}\" is not of the form \"name = value unit, digit 0.01 [hold]\", \"@ 1.5 s\", \"> take\", \"2 lost\" or \"itself: text\""
            )
        };
        if let Some(text) = text.strip_prefix("itself:") {
            return Ok(Self::Itself(text.trim().to_owned()));
        }
        if let Some(time) = text.strip_prefix('@') {
            let time = time.trim().strip_suffix('s').and_then(|time| time.trim().parse().ok());
            return time.map(Self::Time).ok_or_else(wrong);
        }
        if let Some(action) = text.strip_prefix('>') {
            return Ok(Self::Action(action.trim().to_owned()));
        }
        if let Some(lost) = text.strip_suffix("lost") {
            return lost.trim().parse().map(Self::Lost).map_err(|_| wrong());
        }
        let (name, rest) = text.rsplit_once(" = ").ok_or_else(wrong)?;
        let (rest, annunciators) = match rest.strip_suffix(']').and_then(|rest| rest.split_once('[')) {
            Some((rest, words)) => (rest, read_annunciators(words).ok_or_else(wrong)?),
            None => (rest, Annunciators::empty()),
        };
        let (rest, digit) = match rest.split_once(", digit ") {
            Some((rest, digit)) => (rest, Some(digit.trim().parse().map_err(|_| wrong())?)),
            None => (rest, None),
        };
        let (value, unit) = read_value(rest.trim()).ok_or_else(wrong)?;
        Ok(Self::Reading { name: name.to_owned(), value, digit, unit, annunciators })
    }

    /// Whether it is the value that differs, and not what stands beside it.
    fn differs_in_value(&self, seen: &ExampleEvent) -> bool {
        match (self, seen) {
            (Self::Reading { value: Value::Number(expected), .. }, ExampleEvent::Reading(_, reading)) => {
                !matches!(reading.value, Value::Number(seen) if close(*expected, seen))
            }
            (Self::Reading { value, .. }, ExampleEvent::Reading(_, reading)) => *value != reading.value,
            _ => false,
        }
    }

    fn is(&self, seen: &ExampleEvent) -> bool {
        match (self, seen) {
            (Self::Time(expected), ExampleEvent::Time(seen)) => close(*expected, *seen),
            (Self::Action(expected), ExampleEvent::Action(seen)) => expected == seen.word(),
            (Self::Lost(expected), ExampleEvent::Lost(seen)) => expected == seen,
            (Self::Itself(expected), ExampleEvent::Itself(seen)) => expected == seen,
            (Self::Reading { name, value, digit, unit, annunciators }, ExampleEvent::Reading(seen_name, seen)) => {
                let same_value = match (value, seen.value) {
                    (Value::Number(expected), Value::Number(seen)) => close(*expected, seen),
                    (expected, seen) => *expected == seen,
                };
                let same_digit = digit
                    .is_none_or(|digit| seen.place.is_some_and(|place| close(digit, 10f64.powi(i32::from(place)))));
                let same_unit = *unit == unit_of(seen.function) && *annunciators == seen.annunciators;
                name == seen_name && same_value && same_digit && same_unit
            }
            _ => false,
        }
    }
}

/// Value in base units, and its unit or quantity in words.
fn read_value(text: &str) -> Option<(Value, &'static str)> {
    // Quantities of one unit are told apart by their words: `0.5 continuity`.
    if let Some((number, word)) = text.split_once(' ')
        && let Ok(quantity) = word.parse::<Quantity>()
    {
        let (value, _) = read_value(number)?;
        return Some((value, quantity.word()));
    }
    let token = Numbers::new(&OVERLOAD_WORDS.map(str::to_owned)).read(text).ok()?;
    Some((token.value, unit_of(token.function)))
}

fn read_annunciators(words: &str) -> Option<Annunciators> {
    words.split(',').map(|word| Annunciators::from_name(&word.trim().to_uppercase().replace(' ', "_"))).collect()
}

fn unit_of(function: Function) -> &'static str {
    match function {
        Function::Unknown => "",
        Function::Unit(dimension) => dimension.unit(),
        Function::Exact(quantity) => quantity.word(),
    }
}

/// Equal but for the rounding of scaling.
fn close(expected: f64, seen: f64) -> bool {
    (expected - seen).abs() <= expected.abs() * 1e-12
}

fn show(event: &ExampleEvent) -> String {
    match event {
        ExampleEvent::Reading(name, reading) => show_reading(name, reading),
        ExampleEvent::Time(time) => format!("@ {time} s"),
        ExampleEvent::Action(action) => format!("> {}", action.word()),
        ExampleEvent::Lost(lost) => format!("{lost} lost"),
        ExampleEvent::Itself(text) => format!("itself: {text}"),
        ExampleEvent::Problem(reason) => reason.clone(),
    }
}

/// A reading in canonical form.
pub(crate) fn show_reading(name: &str, reading: &Reading) -> String {
    let value = match reading.value {
        Value::Number(value) => value.to_string(),
        Value::Over => "OL".to_owned(),
        Value::Under => "-OL".to_owned(),
    };
    let unit = unit_of(reading.function);
    let mut shown = format!("{name} = {value} {unit}").trim_end().to_owned();
    if !reading.annunciators.is_empty() {
        let words: Vec<_> =
            reading.annunciators.iter_names().map(|(word, _)| word.to_lowercase().replace('_', " ")).collect();
        shown += &format!(" [{}]", words.join(", "));
    }
    shown
}
