//! Which bytes of an example decide what differs: found by trying, so that it holds for every decoder.

use std::sync::Arc;

use super::{
    event::{DecodedEvent, ExampleEvent, decode, pieces},
    expected::ExpectedEvent,
};
use crate::protocol::{Example, Protocol, RequestId};

/// Longer examples are not tried byte by byte.
const LONGEST: usize = 400;

/// Where to look for what differs: in the bytes that the decoder names where they are few, otherwise in those that
/// change it. None where neither is known, as behind a checksum.
pub(super) fn of_difference(
    protocol: &Arc<Protocol>,
    example: &Example,
    index: usize,
    expected: &ExpectedEvent,
    seen: &DecodedEvent,
) -> Option<String> {
    let chunks: Vec<(Option<RequestId>, Vec<u8>)> =
        pieces(example).map(|(request, bytes)| (request, bytes.to_vec())).collect();
    let total: usize = chunks.iter().map(|(_, bytes)| bytes.len()).sum();
    if total > LONGEST
        || (expected.differs_in_value(&seen.event) && !seen.from.is_empty() && 2 * seen.from.len() < total)
    {
        return None;
    }
    let trial = AlteredExample { protocol, chunks, index };
    let mends = |at: usize| (0..=u8::MAX).find(|byte| trial.with(at, *byte).is_some_and(|event| expected.is(&event)));
    let mending: Vec<(usize, u8)> = (0..total).filter_map(|at| Some((at, mends(at)?))).collect();
    if let [(at, byte)] = mending[..] {
        return Some(format!("byte {}, which would have to be {byte:02X}", at + 1));
    }
    let places: Vec<usize> = match mending.is_empty() {
        false => mending.into_iter().map(|(at, _)| at).collect(),
        true => {
            let in_value = expected.differs_in_value(&seen.event);
            (0..total).filter(|at| trial.changes(*at, &seen.event, in_value)).collect()
        }
    };
    (!places.is_empty()).then(|| in_words(&places))
}

/// An example of which one byte is another.
struct AlteredExample<'a> {
    protocol: &'a Arc<Protocol>,
    chunks: Vec<(Option<RequestId>, Vec<u8>)>,
    index: usize,
}

impl AlteredExample<'_> {
    /// What the same event would be.
    fn with(&self, at: usize, byte: u8) -> Option<ExampleEvent> {
        let mut chunks = self.chunks.clone();
        let mut left = at;
        for (_, bytes) in &mut chunks {
            match bytes.get_mut(left) {
                Some(slot) => {
                    *slot = byte;
                    break;
                }
                None => left -= bytes.len(),
            }
        }
        let seen = decode(self.protocol, chunks.iter().map(|(request, bytes)| (*request, &bytes[..])));
        seen.into_iter()
            .map(|seen| seen.event)
            .filter(|event| !matches!(event, ExampleEvent::Problem(_)))
            .nth(self.index)
    }

    /// Whether a bit of this byte changes the event, in its value or in all else, and leaves its kind.
    fn changes(&self, at: usize, event: &ExampleEvent, in_value: bool) -> bool {
        let byte = self.chunks.iter().flat_map(|(_, bytes)| bytes).nth(at).copied().unwrap_or_default();
        (0..8).filter_map(|bit| self.with(at, byte ^ 1 << bit)).any(|other| match (event, &other) {
            (ExampleEvent::Reading(name, reading), ExampleEvent::Reading(other_name, other)) => {
                name == other_name && if in_value { reading.value != other.value } else { reading != other }
            }
            (ExampleEvent::Time(one), ExampleEvent::Time(other)) => one != other,
            (ExampleEvent::Action(one), ExampleEvent::Action(other)) => one != other,
            (ExampleEvent::Lost(one), ExampleEvent::Lost(other)) => one != other,
            (ExampleEvent::Itself(one), ExampleEvent::Itself(other)) => one != other,
            _ => false,
        })
    }
}

/// `bytes 2 to 5 and 8`, counted from 1.
fn in_words(places: &[usize]) -> String {
    let runs: Vec<String> = places
        .chunk_by(|one, next| one + 1 == *next)
        .map(|run| match run {
            [only] => format!("{}", only + 1),
            [first, .., last] => format!("{} to {}", first + 1, last + 1),
            [] => String::new(),
        })
        .collect();
    let word = if places.len() == 1 { "byte" } else { "bytes" };
    match runs.split_last() {
        Some((last, [])) => format!("{word} {last}"),
        Some((last, rest)) => format!("{word} {} and {last}", rest.join(", ")),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::{Library, check};

    /// The failure of a shipped protocol of which one expectation is altered.
    fn reported(name: &str, from: &str, to: &str) -> String {
        assert!(Library::default().find(name).is_ok());
        let path = format!("{}/protocols/{name}.toml", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(path).unwrap();
        assert!(text.contains(from), "{name}: {from}");
        let protocol = Protocol::parse("p.toml", &text.replacen(from, to, 1)).unwrap();
        check(&protocol).first().unwrap_or_else(|| panic!("{name}: {to} holds")).to_string()
    }

    #[test]
    fn the_byte_of_a_flag_a_unit_a_digit_or_a_counter_is_named() {
        for (name, from, to, place) in [
            ("report-14-sign", "12.34 V DC, digit 0.01 [auto]", "12.34 V AC, digit 0.01 [auto]", "byte 8, which would"),
            ("report-14-sign", "1.23 A AC [hold, low battery]", "1.23 A AC [low battery]", "byte 8, which would"),
            ("lcd-mirror-14", "12.34 V DC, digit 0.01 [auto]", "12.34 V DC, digit 0.01", "byte 1, which would"),
            ("report-11", "1.234 V DC", "1.234 V AC", "byte "),
            ("json", "lift = 0.512", "lift = 0.912", "byte 12, which would have to be 39"),
            ("columns", "v1 = 0.512", "v1 = 90.512", "bytes 1 to 5 of its frame"),
        ] {
            let reported = reported(name, from, to);
            assert!(reported.contains(place), "{name}, {to}: {reported}");
        }
    }

    #[test]
    fn places_are_reported_in_runs() {
        assert_eq!(in_words(&[1, 2, 3, 7]), "bytes 2 to 4 and 8");
        assert_eq!(in_words(&[0]), "byte 1");
        assert_eq!(in_words(&[0, 2, 3]), "bytes 1 and 3 to 4");
    }
}
