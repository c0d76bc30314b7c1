//! Examples drafted from a recording: the first frame of each kind, with what the protocol makes of it.
//!
//! A draft proves nothing until somebody has compared it with the display.

use std::{collections::BTreeSet, sync::Arc};

use super::event::{DecodedEvent, ExampleEvent, decode, show};
use crate::{
    protocol::{Annunciators, Protocol, Reading, Value, frame::FrameRule},
    words::EnumWord,
};

/// Kinds of frames that are drafted at most: more are not read by anyone.
const MOST: usize = 40;

/// One frame as it came, and what it gives.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct ExampleDraft {
    /// Its bytes, and those before it that were no frame.
    pub bytes: Vec<u8>,
    /// What it gives, in the form of an example.
    pub gives: Vec<String>,
    /// Why something in it was refused; none where all was read.
    pub refused: Option<String>,
}

/// What makes two frames alike: names, functions, sign, overload, annunciators, and the kind of refusal.
type FrameSignature = Vec<String>;

/// Drafts from all bytes of a recording, in the order in which each kind came first.
pub(crate) fn draft(protocol: &Arc<Protocol>, bytes: &[u8]) -> Vec<ExampleDraft> {
    let seen = decode(protocol, bytes.chunks(1).map(|byte| (None, byte)));
    let mut known: BTreeSet<FrameSignature> = BTreeSet::new();
    let mut drafts = Vec::new();
    let mut begin = 0;
    for of_frame in seen.chunk_by(|one, next| one.byte == next.byte) {
        let end = of_frame[0].byte;
        let frame = &bytes[begin..end];
        begin = end;
        let likeness = of_frame.iter().map(|seen| likeness(&seen.event)).collect();
        if !known.contains(&likeness) && drafts.len() < MOST {
            known.insert(likeness);
            drafts.push(drafted(frame, of_frame));
        }
    }
    drafts
}

fn drafted(frame: &[u8], seen: &[DecodedEvent]) -> ExampleDraft {
    let mut draft = ExampleDraft { bytes: frame.to_vec(), ..ExampleDraft::default() };
    for seen in seen {
        match &seen.event {
            // Missing frames are no part of this one.
            ExampleEvent::Lost(_) => {}
            ExampleEvent::Problem(why) => {
                draft.refused.get_or_insert_with(|| why.clone());
            }
            event => draft.gives.push(with_digit(event)),
        }
    }
    draft
}

/// In the form of an example, with what the last digit is worth: the display shows that too.
fn with_digit(event: &ExampleEvent) -> String {
    let text = show(event);
    let ExampleEvent::Reading(_, Reading { decade: Some(decade), value: Value::Number(_), .. }) = event else {
        return text;
    };
    let digit = match usize::try_from(-i32::from(*decade)) {
        Ok(decimals) => format!("{:.decimals$}", 10f64.powi(i32::from(*decade))),
        Err(_) => format!("{}", 10f64.powi(i32::from(*decade))),
    };
    match text.split_once(" [") {
        Some((value, shown)) => format!("{value}, digit {digit} [{shown}"),
        None => format!("{text}, digit {digit}"),
    }
}

fn likeness(event: &ExampleEvent) -> String {
    match event {
        ExampleEvent::Reading(name, reading) => {
            let value = match reading.value {
                Value::Number(value) if value < 0.0 => "below zero",
                Value::Number(_) => "number",
                Value::Over => "over",
                Value::Under => "under",
            };
            let annunciators: Annunciators = reading.annunciators;
            format!("{name} {:?} {value} {annunciators:?}", reading.function)
        }
        ExampleEvent::Action(action) => action.word().to_owned(),
        ExampleEvent::Itself(_) => "itself".to_owned(),
        ExampleEvent::Time(_) => "time".to_owned(),
        ExampleEvent::Lost(_) => String::new(),
        // Places, figures and what was found differ from frame to frame.
        ExampleEvent::Problem(why) => {
            why.split('"').step_by(2).flat_map(str::chars).filter(|c| !c.is_ascii_digit()).collect()
        }
    }
}

impl ExampleDraft {
    /// As a part `[[example]]` of the protocol's file.
    pub(crate) fn to_toml(&self, protocol: &Protocol) -> String {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let mut lines = vec!["[[example]]".to_owned()];
        lines.push(match text_of(&self.bytes, protocol) {
            Some(text) => format!("text = {}", quoted(text)),
            None => format!("hex = \"{}\"", hex(&self.bytes)),
        });
        if !self.gives.is_empty() {
            let gives: Vec<String> = self.gives.iter().map(|line| quoted(line)).collect();
            lines.push(format!("gives = [{}]", gives.join(", ")));
        }
        lines.extend(self.refused.iter().map(|why| format!("refused = {}", quoted(why))));
        lines.join("\n") + "\n"
    }
}

/// The text of one line without its end, where it is nothing but that.
fn text_of<'a>(bytes: &'a [u8], protocol: &Protocol) -> Option<&'a str> {
    let FrameRule::Line(rule) = &protocol.frame else { return None };
    let text = std::str::from_utf8(rule.terminator.strip(bytes)?).ok()?;
    let text = text.strip_suffix('\r').unwrap_or(text);
    (!text.is_empty() && !text.contains(char::is_control)).then_some(text)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::{Library, check};

    /// The frames of a protocol's own examples, as a meter would send them.
    fn drafts_of(name: &str) -> (Arc<Protocol>, Vec<ExampleDraft>) {
        let protocol = Library::default().find(name).unwrap();
        let bytes: Vec<u8> = protocol.examples().iter().flat_map(|example| example.bytes()).collect();
        let drafts = draft(&protocol, &bytes);
        (protocol, drafts)
    }

    #[test]
    fn each_kind_of_frame_is_drafted_once() {
        let protocol = Library::default().find("number").unwrap();
        let drafts = draft(&protocol, b"12.41 V\r\n12.42 V\r\n-0.3 V\r\nOL ohm\r\nrubbish\r\nrubbish 7\r\n12.43 V\r\n");
        let reported: Vec<String> = drafts.iter().map(|draft| draft.to_toml(&protocol)).collect();
        assert_eq!(reported[0], "[[example]]\ntext = \"12.41 V\"\ngives = [\"value = 12.41 V, digit 0.01\"]\n");
        assert_eq!(reported.len(), 4, "{reported:?}");
        assert!(reported[3].contains("refused = "), "{}", reported[3]);
    }

    fn is_of_cable(line: &str) -> bool {
        ["[hid]", "payload =", "greeting =", "mask =", "outgoing ="].iter().any(|begin| line.starts_with(begin))
    }

    #[test]
    fn drafts_hold_as_examples() {
        for name in ["lcd-mirror-14", "report-11", "report-14", "text-14", "pairs", "nmea-0183"] {
            let (protocol, drafts) = drafts_of(name);
            let readable = drafts.iter().filter(|draft| draft.refused.is_none()).count();
            assert!(readable >= 2, "{name}: {drafts:?}");
            let path = format!("{}/protocols/{name}.toml", env!("CARGO_MANIFEST_DIR"));
            let text = std::fs::read_to_string(path).unwrap();
            let (file, _) = text.split_once("[[example]]").unwrap();
            // A cable is proved by examples of its own.
            let file: String = file.lines().filter(|line| !is_of_cable(line)).map(|line| format!("{line}\n")).collect();
            let drafted: String = drafts.iter().map(|draft| draft.to_toml(&protocol)).collect();
            let again = Protocol::parse("drafted.toml", &format!("{file}{drafted}")).unwrap();
            let failures = check(&again);
            assert!(failures.is_empty(), "{name}: {failures:?}\n{drafted}");
        }
    }
}
