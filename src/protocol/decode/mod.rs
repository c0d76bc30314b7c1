//! A frame becomes readings. A decoder knows one kind of frame, never how frames are cut.
//!
//! Decoders write straight into the caller's lists and allocate nothing once they know the
//! names and units of their port.
//!
//! Reading order: here; `sink` (where the values go); `display` and `flags`, `scale`, `whole_numbers`; then one file a kind: `number`, `pairs`, `json`, `columns`
//! with `header`, `line_comma` and `column_count`, `pattern`, `report`, `segments`, `fields`. Each holds the keys of its kind and the decoder.

mod column_count;
mod columns;
mod display;
mod fields;
mod flags;
mod header;
mod json;
mod latin;
mod line_comma;
mod number;
mod pairs;
mod pattern;
mod report;
mod scale;
mod segments;
mod sink;
mod whole_numbers;

use strum::{EnumMessage, VariantArray};

use columns::{ColumnsDecoder, ColumnsRule, Separator};
use fields::{FieldsDecoder, FieldsRule};
use json::{JsonDecoder, JsonRule};
use number::{NumberDecoder, NumberRule};
use pairs::{PairsDecoder, PairsRule};
use pattern::{PatternDecoder, PatternRule};
use report::{ReportDecoder, ReportRule};
use segments::{SegmentsDecoder, SegmentsRule};
pub(super) use sink::Sink;
use sink::{NamedSequence, NamedTime, StampKeys};
pub(super) use whole_numbers::WholeNumbers;

use super::{
    counters::CountersRule,
    problem::{DecodeError, Defect},
    tables::{EarlierParts, KindTable},
};
use crate::{mistake::Mistake, words::words};

/// The kinds of `[decode]`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(in crate::protocol) enum DecodeKind {
    #[strum(serialize = "columns")]
    Columns,
    #[strum(serialize = "pairs")]
    Pairs,
    #[strum(serialize = "json")]
    Json,
    #[strum(serialize = "number")]
    Number,
    #[strum(serialize = "pattern")]
    Pattern,
    #[strum(serialize = "report")]
    Report,
    #[strum(serialize = "segments")]
    Segments,
    #[strum(serialize = "fields")]
    Fields,
}
words!(DecodeKind);

/// How a protocol's frames are read.
#[derive(Debug, Clone)]
pub(super) enum DecodeRule {
    Columns(ColumnsRule),
    Pairs(PairsRule),
    Json(JsonRule),
    Number(NumberRule),
    Pattern(PatternRule),
    Fields(Box<FieldsRule>),
    Segments(SegmentsRule),
    Report(ReportRule),
}

impl DecodeRule {
    /// Reads `[decode]`.
    pub(super) fn read(table: KindTable<'_>, parts: EarlierParts<'_>) -> Result<Self, Mistake> {
        Ok(match table.kind()? {
            DecodeKind::Columns => Self::Columns(table.read(parts)?),
            DecodeKind::Pairs => Self::Pairs(table.read(parts)?),
            DecodeKind::Json => Self::Json(table.read(parts)?),
            DecodeKind::Number => Self::Number(table.read(parts)?),
            DecodeKind::Pattern => Self::Pattern(table.read(parts)?),
            DecodeKind::Fields => Self::Fields(Box::new(table.read(parts)?)),
            DecodeKind::Segments => Self::Segments(table.read(parts)?),
            DecodeKind::Report => Self::Report(table.read(parts)?),
        })
    }

    /// The names of the values where the file gives them.
    pub(super) fn value_names(&self) -> Option<Vec<String>> {
        match self {
            Self::Columns(rule) => rule.value_names(),
            Self::Number(rule) => Some(vec![rule.name.0.clone()]),
            Self::Pattern(rule) => Some(rule.value_names.clone()),
            Self::Fields(rule) => Some(rule.value_names()),
            Self::Segments(rule) => Some(vec![rule.name.0.clone()]),
            Self::Report(rule) => Some(vec![rule.name.0.clone()]),
            Self::Pairs(_) | Self::Json(_) => None,
        }
    }

    /// Whether frames may carry a value of this name besides those that the file gives.
    pub(super) fn names_a_sender(&self, name: &str) -> bool {
        matches!(self, Self::Pattern(rule) if rule.names_a_sender(name))
    }

    /// Whether its frames are several numbers in text, as boards print them.
    pub(super) fn is_of_named_numbers(&self) -> bool {
        matches!(self, Self::Columns(_) | Self::Pairs(_) | Self::Json(_))
    }

    /// Where the device's counters wrap around.
    pub(super) fn counters(&self) -> CountersRule {
        let named = |time: &Option<NamedTime>, sequence: &Option<NamedSequence>| {
            let time = time.as_ref().and_then(|time| Some((time.unit, time.bits?)));
            CountersRule::new(time, sequence.as_ref().and_then(|sequence| sequence.bits))
        };
        match self {
            Self::Columns(ColumnsRule { time, sequence, .. }) => CountersRule::new(
                time.and_then(|time| Some((time.unit, time.bits?))),
                sequence.and_then(|sequence| sequence.bits),
            ),
            Self::Pairs(PairsRule { time, sequence, .. }) | Self::Json(JsonRule { time, sequence, .. }) => {
                named(time, sequence)
            }
            Self::Pattern(rule) => rule.counters,
            Self::Fields(rule) => CountersRule::new(rule.time_counter(), rule.sequence_counter()),
            Self::Number(_) | Self::Segments(_) | Self::Report(_) => CountersRule::default(),
        }
    }
}

/// What a frame is that is not refused. `Counts` and `identify` follow from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DecodeOutcome {
    /// A report to file: its values, perhaps none of them, or the press of a button.
    Frame,
    /// Understood, with nothing to file: the function of the values to come, an identification, an error that the meter reports.
    WithoutValues,
    /// Understood as one that the protocol's file declares to be passed over, such as a receiver's sentence without a position.
    Ignored,
    /// An empty frame, or a line of blanks: no decoder of text sees one.
    Blank,
    /// May be anything, so that it speaks neither for the protocol nor against it: words before the first numbers, which may be
    /// a header or a greeting, and what answers an opening line.
    Inconclusive,
}

/// Reads the frames of one kind.
trait FrameDecoder {
    /// Reads one frame; of text one that is not blank.
    ///
    /// # Errors
    /// The error for which the whole frame is refused; the caller takes back what it brought.
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError>;

    /// The device begins anew. What a decoder remembers of the frames before stands in a `…State` of its own, whose `Default`
    /// is its start: it is put back to that here. A decoder that remembers nothing has nothing to do.
    fn reset(&mut self) {}
}

/// The same of whichever kind a decoder is.
macro_rules! each_kind {
    ($all:expr, $decoder:ident => $does:expr) => {
        match $all {
            Decoder::Columns($decoder) => $does,
            Decoder::Pairs($decoder) => $does,
            Decoder::Json($decoder) => $does,
            Decoder::Number($decoder) => $does,
            Decoder::Pattern($decoder) => $does,
            Decoder::Fields($decoder) => $does,
            Decoder::Segments($decoder) => $does,
            Decoder::Report($decoder) => $does,
        }
    };
}

/// The decoder of one port.
#[derive(Debug)]
pub(super) enum Decoder {
    Columns(ColumnsDecoder),
    Pairs(PairsDecoder),
    Json(JsonDecoder),
    Number(NumberDecoder),
    Pattern(PatternDecoder),
    Fields(FieldsDecoder),
    Segments(SegmentsDecoder),
    Report(ReportDecoder),
}

impl Decoder {
    pub(super) fn new(rule: &DecodeRule) -> Self {
        match rule {
            DecodeRule::Columns(rule) => Self::Columns(ColumnsDecoder::new(rule.clone())),
            DecodeRule::Pairs(rule) => Self::Pairs(PairsDecoder::new(rule.clone())),
            DecodeRule::Json(rule) => Self::Json(JsonDecoder::new(rule.clone())),
            DecodeRule::Number(rule) => Self::Number(NumberDecoder::new(rule.clone())),
            DecodeRule::Pattern(rule) => Self::Pattern(PatternDecoder::new(rule.clone())),
            DecodeRule::Fields(rule) => Self::Fields(FieldsDecoder::new(*rule.clone())),
            DecodeRule::Segments(rule) => Self::Segments(SegmentsDecoder::new(rule.clone())),
            DecodeRule::Report(rule) => Self::Report(ReportDecoder::new(rule.clone())),
        }
    }

    /// Reads one frame.
    ///
    /// # Errors
    /// The error for which the whole frame is refused; the caller takes back what it brought.
    #[inline]
    pub(super) fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        if self.reads_text() && frame.trim_ascii().is_empty() {
            return Ok(DecodeOutcome::Blank);
        }
        let mark = sink.mark();
        let read = self.decode_as_sent(frame, sink);
        if !matches!(read, Err(DecodeError { defect: Defect::NotText, .. })) {
            return read;
        }
        let mut rewritten = std::mem::take(sink.rewritten);
        rewritten.clear();
        let again = latin::to_utf8(frame, &mut rewritten).then(|| {
            sink.take_back(mark);
            self.decode_as_sent(&rewritten, sink)
        });
        *sink.rewritten = rewritten;
        again.unwrap_or(read)
    }

    /// Whether a frame is text, in which blanks alone say nothing. In the others a blank is a number or a dark digit.
    fn reads_text(&self) -> bool {
        match self {
            Self::Columns(_) | Self::Pairs(_) | Self::Json(_) | Self::Number(_) | Self::Pattern(_) => true,
            Self::Fields(_) | Self::Segments(_) | Self::Report(_) => false,
        }
    }

    #[inline]
    fn decode_as_sent(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        each_kind!(self, decoder => decoder.decode(frame, sink))
    }

    /// What follows is from a device that begins anew.
    pub(super) fn reset(&mut self) {
        each_kind!(self, decoder => decoder.reset());
    }
}

/// The text of a frame.
#[inline]
fn text(frame: &[u8]) -> Result<&str, DecodeError> {
    std::str::from_utf8(frame).map_err(|error| {
        let at = error.valid_up_to();
        DecodeError::at(at..at + error.error_len().unwrap_or(frame.len() - at), Defect::NotText)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::tests::decoded;

    #[test]
    fn lines_of_blanks_are_passed_over_in_text_alone() {
        let line = |decode: &str, text: &str| {
            decoded(&format!("[frame]\nkind = \"line\"\n[decode]\n{decode}"), text.as_bytes())
        };
        let blanks = "  \n\t\n \t \r\n";
        for (decode, text, reading) in [
            ("kind = \"columns\"", "1.5", "v1 = 1.5"),
            ("kind = \"columns\"\nheader = \"optional\"", "1.5", "v1 = 1.5"),
            ("kind = \"columns\"\nseparator = \"\\t\"", "1.5", "v1 = 1.5"),
            ("kind = \"pairs\"", "a=1.5", "a = 1.5"),
            ("kind = \"pairs\"\nseparator = \";\"", "a=1.5", "a = 1.5"),
            ("kind = \"json\"", "{\"a\": 1.5}", "a = 1.5"),
            ("kind = \"number\"", "1.5", "value = 1.5"),
            ("kind = \"pattern\"\n[[decode.message]]\npattern = '^(?<value>.*)$'", "1.5", "value = 1.5"),
        ] {
            assert_eq!(line(decode, &format!("{blanks}{text}\n{blanks}")), [reading], "{decode}");
        }
        // Two bytes 20 are a number, and a display that shows nothing is told.
        let fields = "kind = \"fields\"\norder = \"big\"\n[[decode.value]]\nname = \"v\"\nat = 1\ntype = \"u16\"";
        assert_eq!(line(fields, "  \n"), ["v = 8224"]);
        let report = "kind = \"report\"\nlength = 2\ndigits = { at = 1, count = 2 }";
        assert_eq!(line(report, "  \n"), ["! byte 1: found \"  \", expected digits"]);
    }

    #[test]
    fn words() {
        crate::protocol::tests::check_words::<DecodeKind>();
    }
}
