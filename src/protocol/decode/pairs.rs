//! `name:value` or `name=value`, several a line.
//!
//! A value that is a plain word (`mode=auto`) is skipped; one that begins like a number and is
//! none refuses the line.

use std::ops::Range;

use memchr::memchr2;
use serde::Deserialize;

use super::{DecodeOutcome, FrameDecoder, NamedSequence, NamedTime, Separator, Sink, StampKeys, text};
use crate::protocol::{
    number::{NumberReader, OverloadWords},
    problem::{DecodeError, Defect},
    tables::independent_keys,
};

/// What such a line is. `time`, `sequence` and `overload` stand in `JsonRule` too: serde's `flatten` would take the places of
/// mistakes from all keys of the table.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(in crate::protocol) struct PairsRule {
    /// Between pairs.
    separator: Separator,
    pub(super) time: Option<NamedTime>,
    pub(super) sequence: Option<NamedSequence>,
    overload: OverloadWords,
}

independent_keys!(PairsRule);

/// Reads such lines.
#[derive(Debug)]
pub(in crate::protocol) struct PairsDecoder {
    separator: Separator,
    stamp_keys: StampKeys,
    number_reader: NumberReader,
}

/// Between pairs, where any separator will do.
const SEPARATORS: &[char] = &[',', ';', '\t', ' ', '|'];

/// Where a pair is in its line.
struct PairSpan {
    name: Range<usize>,
    value: Range<usize>,
    /// Where to go on.
    end: usize,
}

/// Whether a line held anything to keep.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum PairContent {
    Nothing,
    Value,
}

impl PairsDecoder {
    pub(crate) fn new(rule: PairsRule) -> Self {
        let stamp_keys = StampKeys { time: rule.time, sequence: rule.sequence };
        Self { number_reader: NumberReader::new(rule.overload), separator: rule.separator, stamp_keys }
    }
}

impl FrameDecoder for PairsDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let line = text(frame)?;
        let (mut found, mut at) = (PairContent::Nothing, 0);
        while let Some(pair) = self.next(line, at)? {
            at = pair.end;
            found = found.max(self.pair(line, pair, sink)?);
        }
        match found {
            PairContent::Value => Ok(DecodeOutcome::Frame),
            PairContent::Nothing => Err(DecodeError::whole(Defect::NoValue)),
        }
    }
}

impl PairsDecoder {
    fn pair(&mut self, line: &str, pair: PairSpan, sink: &mut Sink<'_>) -> Result<PairContent, DecodeError> {
        let name = line[pair.name.clone()].trim();
        let is_name = name.starts_with(|c: char| c.is_alphabetic() || c == '_');
        let is_split = matches!(self.separator, Separator::Any) && name.contains(SEPARATORS);
        if !is_name || is_split {
            return Err(DecodeError::at(pair.name, Defect::NotAPair));
        }
        let text = line[pair.value.clone()].trim();
        if text.is_empty() {
            return Ok(PairContent::Nothing);
        }
        let token = match self.number_reader.read(text) {
            Err(Defect::NotANumber) if text.starts_with(|c: char| c.is_alphabetic() || c == '_') => {
                return Ok(PairContent::Nothing);
            }
            token => token,
        };
        self.stamp_keys.put(name, token, pair.value, sink)?;
        Ok(PairContent::Value)
    }

    fn next(&self, line: &str, at: usize) -> Result<Option<PairSpan>, DecodeError> {
        match &self.separator {
            Separator::Any => any(line, at),
            Separator::Text(separator) => given(line, at, separator),
        }
    }
}

/// The next pair where any separator will do: a value goes on, unit included, until the word
/// before the next colon or equals sign.
fn any(line: &str, at: usize) -> Result<Option<PairSpan>, DecodeError> {
    let start = line.len() - line[at..].trim_start_matches(SEPARATORS).len();
    if start == line.len() {
        return Ok(None);
    }
    let sign = sign(line, start..line.len())?;
    let (value, end) = match memchr2(b':', b'=', &line.as_bytes()[sign + 1..]) {
        None => (sign + 1..sign + 1 + line[sign + 1..].trim_end_matches(SEPARATORS).len(), line.len()),
        Some(length) => {
            let between = line[sign + 1..sign + 1 + length].trim_end();
            let end = sign + 1 + between.rfind(SEPARATORS).map_or(0, |at| at + 1);
            (sign + 1..sign + 1 + line[sign + 1..end].trim_end_matches(SEPARATORS).len(), end)
        }
    };
    // A comma within a value is a number without a name, not a decimal comma.
    match line[value.clone()].find([',', ';', '\t', '|']) {
        Some(at) => Err(DecodeError::at(value.start + at..value.end, Defect::NotAPair)),
        None => Ok(Some(PairSpan { name: start..sign, value, end })),
    }
}

/// The next pair where the separator is given.
fn given(line: &str, mut at: usize, separator: &[u8]) -> Result<Option<PairSpan>, DecodeError> {
    while at < line.len() {
        let length = memchr::memmem::find(&line.as_bytes()[at..], separator);
        let (part, end) = match length {
            Some(length) => (at..at + length, at + length + separator.len()),
            None => (at..line.len(), line.len()),
        };
        if line[part.clone()].trim().is_empty() {
            at = end;
            continue;
        }
        let sign = sign(line, part.clone())?;
        return Ok(Some(PairSpan { name: part.start..sign, value: sign + 1..part.end, end }));
    }
    Ok(None)
}

/// The colon or equals sign of a pair.
fn sign(line: &str, part: Range<usize>) -> Result<usize, DecodeError> {
    memchr2(b':', b'=', &line.as_bytes()[part.clone()])
        .map(|at| part.start + at)
        .ok_or(DecodeError::at(part, Defect::NotAPair))
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::decoded;

    fn check(decode: &str, text: &str, expected: &[&str]) {
        let frame = "[frame]\nkind = \"line\"\n";
        assert_eq!(
            decoded(&format!("{frame}[decode]\nkind = \"pairs\"\n{decode}"), text.as_bytes()),
            expected,
            "{text}"
        );
    }

    #[test]
    fn pairs_as_boards_send_them() {
        let readings = ["lift = 0.512 A", "feed = 12.45 V"];
        for text in [
            "lift=0.512 A feed=12.45 V",
            "lift:0.512A,feed:12.45V",
            "lift: 0.512 A, feed: 12.45 V",
            "lift = 0.512A; feed = 12.45V;",
            "\tlift:0.512 A | feed:12.45 V",
        ] {
            check("", &format!("{text}\n"), &readings);
        }
        check("separator = \";\"", "lift coil = 0.5; mode = a b;; feed=OL\n", &["lift coil = 0.5", "feed = OL"]);
    }

    #[test]
    fn words_are_passed_over_and_damage_is_refused() {
        check("", "mode=auto lift=0.5 note=\n", &["lift = 0.5"]);
        check("", "lift=0.5 feed=1x2\n", &["! byte 15: found \"1x2\", expected a known unit behind the number"]);
        check("", "lift=1,5\n", &["! byte 7: found \",5\", expected a name, then : or =, then a value"]);
        check("", "time=12:30\n", &["! byte 6: found \"12\", expected a name, then : or =, then a value"]);
        check("", "mode=auto\n", &["! expected at least one value"]);
        check("", "lift 0.5\n", &["! byte 1: found \"lift 0.5\", expected a name, then : or =, then a value"]);
    }

    #[test]
    fn a_name_may_be_the_device_time() {
        check("time = { name = \"t\", unit = \"us\" }", "t=1500000 lift=1\n", &["lift = 1", "@ 1.5 s"]);
    }
}
