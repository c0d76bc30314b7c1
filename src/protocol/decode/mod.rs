//! A frame becomes readings. A decoder knows one kind of frame, never how frames are cut.
//!
//! Decoders write straight into the caller's lists and allocate nothing once they have met the
//! names and units of their port.

mod columns;
pub(super) mod fields;
mod flags;
mod header;
mod json;
mod linear;
mod number;
mod pairs;
pub(super) mod pattern;
pub(super) mod report;
mod segments;
mod shown;

use std::ops::Range;

pub(super) use columns::{ColumnsRule, HeaderRule, Separator, TimeColumn};
pub(super) use fields::FieldsRule;
pub(super) use flags::{Bit, BitsForm, FlagRule};
pub(super) use json::JsonRule;
pub(super) use linear::Linear;
pub(super) use number::NumberRule;
pub(super) use pairs::PairsRule;
pub(super) use pattern::PatternRule;
pub(super) use report::ReportRule;
pub(super) use segments::{DigitRule, SegmentsRule};
pub(super) use shown::DisplayEffect;

use columns::ColumnsDecoder;
use fields::FieldsDecoder;
use json::JsonDecoder;
use number::NumberDecoder;
use pairs::PairsDecoder;
use pattern::PatternDecoder;
use report::ReportDecoder;
use segments::SegmentsDecoder;

use super::{
    Action, Annunciators, Frame, MeterIdentities, Reading, RequestId,
    names::Names,
    number::Token,
    problem::{DecodeError, Defect, ProblemKind},
};

/// How a protocol's frames are read.
#[derive(Debug, Clone)]
pub(super) enum DecodeRule {
    Columns(ColumnsRule),
    Pairs(PairsRule),
    Json(JsonRule),
    Number(NumberRule),
    Pattern(PatternRule),
    Fields(FieldsRule),
    Segments(SegmentsRule),
    Report(ReportRule),
}

impl DecodeRule {
    /// The names of the values where the file fixes them.
    pub(super) fn fixed_names(&self) -> Option<&[String]> {
        match self {
            Self::Columns(rule) => rule.values.as_deref(),
            Self::Number(rule) => Some(&rule.name),
            Self::Pattern(rule) => Some(&rule.names),
            Self::Fields(rule) => Some(&rule.names),
            Self::Segments(rule) => Some(&rule.name),
            Self::Report(rule) => Some(&rule.name),
            Self::Pairs(_) | Self::Json(_) => None,
        }
    }
}

/// Values by name that are the frame's own: the device's time and the frame's number.
#[derive(Debug, Clone, Default)]
pub(super) struct StampKeys {
    /// With how many of its unit are a second.
    pub time: Option<(String, f64)>,
    pub sequence: Option<String>,
}

impl StampKeys {
    /// Puts a value where its name says.
    #[inline]
    fn put(
        &self,
        name: &str,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
        sink: &mut Sink<'_>,
    ) -> Result<(), DecodeError> {
        match (&self.time, &self.sequence) {
            (Some((time, in_a_second)), _) if time == name => sink.time(token, *in_a_second, bytes),
            (_, Some(sequence)) if sequence == name => sink.number(token, bytes),
            _ => sink.value(name, token, bytes),
        }
    }
}

/// What a frame turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DecodeOutcome {
    /// Values, perhaps none.
    Frame,
    /// A header or an empty line: understood, and no frame.
    NoFrame,
}

/// Where a decoder puts what it finds in one frame.
pub(super) struct Sink<'a> {
    pub readings: &'a mut Vec<Reading>,
    pub frames: &'a mut Vec<Frame>,
    pub names: &'a mut Names,
    /// Values refused while the rest of the frame is kept.
    pub refused: &'a mut Vec<DecodeError>,
    /// What the meter says of itself.
    pub identities: &'a mut MeterIdentities,
    /// Which bytes of the frame each reading is from, where anyone wants to know.
    pub trace: Option<&'a mut Vec<Range<usize>>>,
    /// Seconds on the device's clock.
    pub device_time: Option<f64>,
    /// The frame's number.
    pub sequence: Option<u64>,
    /// What the operator asked for.
    pub action: Option<Action>,
    /// The request that the frame answers.
    pub request: Option<RequestId>,
}

impl Sink<'_> {
    /// A value under its name, which stands at these bytes of the frame.
    #[inline]
    pub(super) fn value(
        &mut self,
        name: &str,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        let number = self.names.number(name).ok_or_else(|| DecodeError::at(bytes.clone(), Defect::TooManyNames))?;
        self.numbered(number, token, bytes)
    }

    /// A value under the number of its name. A value that must not be used is refused alone, a
    /// damaged one refuses the frame.
    #[inline]
    pub(super) fn numbered(
        &mut self,
        name: u16,
        token: Result<Token, Defect>,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        self.shown(name, token, Annunciators::empty(), bytes)
    }

    /// The same with what the display shows beside the value.
    #[inline]
    pub(super) fn shown(
        &mut self,
        name: u16,
        token: Result<Token, Defect>,
        annunciators: Annunciators,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value, place, function }) => {
                self.readings.push(Reading { name, function, value, place, annunciators });
                if let Some(trace) = &mut self.trace {
                    trace.push(bytes);
                }
                Ok(())
            }
            Err(wrong) if wrong.kind() == ProblemKind::BadValue => {
                self.refused.push(DecodeError::at(bytes, wrong));
                Ok(())
            }
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// The device's time, in a unit of which so many are a second.
    #[inline]
    pub(super) fn time(
        &mut self,
        token: Result<Token, Defect>,
        in_a_second: f64,
        bytes: Range<usize>,
    ) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value: super::Value::Number(time), .. }) => {
                self.device_time = Some(time / in_a_second);
                Ok(())
            }
            Ok(_) => Err(DecodeError::at(bytes, Defect::NotANumber)),
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// The frame's number.
    #[inline]
    pub(super) fn number(&mut self, token: Result<Token, Defect>, bytes: Range<usize>) -> Result<(), DecodeError> {
        match token {
            Ok(Token { value: super::Value::Number(number), .. }) if number >= 0.0 && number.fract() == 0.0 => {
                self.sequence = Some(number as u64);
                Ok(())
            }
            Ok(_) => Err(DecodeError::at(bytes, Defect::NotANumber)),
            Err(wrong) => Err(DecodeError::at(bytes, wrong)),
        }
    }

    /// What the meter says of itself.
    #[inline]
    pub(super) fn identity(&mut self, text: &[u8], bytes: Range<usize>) -> Result<(), DecodeError> {
        self.identities.add(text, self.frames.len()).map_err(|wrong| DecodeError::at(bytes, wrong))
    }

    /// The readings since the last scan are one of their own, so many seconds older than the
    /// frame's last.
    #[inline]
    pub(super) fn end_scan(&mut self, age: f64) {
        let readings_end = self.readings.len();
        self.frames.push(Frame { readings_end, device_time: None, age, sequence: None, action: None });
    }
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
            DecodeRule::Number(rule) => Self::Number(NumberDecoder::new(rule)),
            DecodeRule::Pattern(rule) => Self::Pattern(PatternDecoder::new(rule.clone())),
            DecodeRule::Fields(rule) => Self::Fields(FieldsDecoder::new(rule.clone())),
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
        match self {
            Self::Columns(columns) => columns.decode(frame, sink),
            Self::Pairs(pairs) => pairs.decode(frame, sink),
            Self::Json(json) => json.decode(frame, sink),
            Self::Number(number) => number.decode(frame, sink),
            Self::Pattern(pattern) => pattern.decode(frame, sink),
            Self::Fields(fields) => fields.decode(frame, sink),
            Self::Segments(segments) => segments.decode(frame, sink),
            Self::Report(report) => report.decode(frame, sink),
        }
    }

    /// The port went away: what follows is a device that begins anew.
    pub(super) fn lost(&mut self) {
        match self {
            Self::Columns(columns) => columns.lost(),
            Self::Pattern(pattern) => pattern.lost(),
            Self::Fields(fields) => fields.lost(),
            Self::Pairs(_) | Self::Json(_) | Self::Number(_) | Self::Segments(_) | Self::Report(_) => {}
        }
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
