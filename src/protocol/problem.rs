//! What could not be decoded: counted by kind, the first few of each kind reported in words.
//!
//! A framer or decoder returns a [`DecodeError`], which costs nothing to make; its words are written
//! only for the few that are reported.

use crate::words::words;
use std::ops::Range;
use strum::{EnumMessage, VariantArray};

/// How many problems of each kind are reported in words; the rest are counted. Errors that the meter
/// reports are kept apart by their text instead.
pub(crate) const REPORTED_OF_EACH_KIND: u64 = 5;

/// How much of a frame a problem quotes, in characters.
const QUOTED: usize = 80;

/// Kinds of problems, for counting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
pub enum ProblemKind {
    /// Longer than the protocol allows: cut there, skipped to the next end.
    #[strum(serialize = "too long")]
    TooLong,
    /// The port went away in the middle of a frame.
    #[strum(serialize = "cut off")]
    Partial,
    /// Not UTF-8.
    #[strum(serialize = "not text")]
    NotText,
    /// Not of the form that the protocol describes; the whole frame is refused.
    #[strum(serialize = "not of the protocol's form")]
    Form,
    /// A value that is no finite number of a sensible size; the frame's other values are kept.
    #[strum(serialize = "value refused")]
    BadValue,
    /// More names than a frame can sensibly have.
    #[strum(serialize = "too many names")]
    TooManyNames,
    /// The checksum differs or is absent.
    #[strum(serialize = "wrong checksum")]
    Checksum,
    /// Bytes between frames that belong to none.
    #[strum(serialize = "between frames")]
    NoFrame,
    /// The meter reports an error.
    #[strum(serialize = "error reported by the meter")]
    MeterError,
}

words!(pub ProblemKind);

/// A problem in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Its kind.
    pub kind: ProblemKind,
    /// What was found, at which byte, and what was expected.
    pub reason: String,
    /// The frame as it came, escaped and cut after 80 characters.
    pub frame: String,
}

/// What is wrong, without words.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Defect {
    TooLong {
        longest: usize,
    },
    Partial,
    NotText,
    NotANumber,
    UnknownUnit,
    NotFinite,
    TooLarge,
    NoNumberWord,
    Columns {
        found: usize,
        expected: usize,
    },
    NoHeader,
    LateHeader,
    NotJson,
    NoObject,
    NotAPair,
    NoValue,
    TooManyNames,
    /// What the bytes give, and how many hexadecimal digits it has.
    Checksum {
        expected: u128,
        digits: usize,
    },
    NoChecksum,
    NoFrame {
        bytes: usize,
    },
    Stuffing,
    Length {
        found: usize,
        expected: usize,
    },
    NoMessage,
    UnknownWord,
    UnknownCode,
    NotDigits,
    NotASegment,
    NoNumberShown,
    /// Units that no display shows for one value.
    UnitsContradict,
    /// The function after the reading is not the one before it.
    FunctionChanged,
    /// Nothing said of which function it was before the next one came.
    NotConfirmed,
    /// A comma that may be a decimal sign or stand between two values.
    AmbiguousComma,
    /// A comma that may be a decimal sign or stand between thousands.
    AmbiguousThousands,
    /// A capital M that may be mega or milli.
    MegaOrMilli,
    /// A pause in a frame that is sent in one piece.
    Pause,
    /// What two lines would give of which the middle was lost.
    OtherLineForm,
    /// The same, by a number that is written in another way than before.
    OtherNumberForm,
    NotHex,
    /// As identification; at most this many bytes.
    NotReadable {
        longest: usize,
    },
    MeterError,
}

impl Defect {
    pub(super) fn kind(&self) -> ProblemKind {
        match self {
            Self::TooLong { .. } => ProblemKind::TooLong,
            Self::Partial => ProblemKind::Partial,
            Self::NotText => ProblemKind::NotText,
            Self::NotFinite
            | Self::TooLarge
            | Self::NoNumberWord
            | Self::NoNumberShown
            | Self::FunctionChanged
            | Self::NotConfirmed
            | Self::AmbiguousThousands
            | Self::MegaOrMilli => ProblemKind::BadValue,
            Self::Checksum { .. } | Self::NoChecksum => ProblemKind::Checksum,
            Self::NoFrame { .. } => ProblemKind::NoFrame,
            Self::MeterError => ProblemKind::MeterError,
            Self::TooManyNames => ProblemKind::TooManyNames,
            _ => ProblemKind::Form,
        }
    }

    fn words(&self) -> String {
        match self {
            Self::TooLong { longest } => {
                format!("no end within {longest} bytes; skipped to the next end")
            }
            Self::Partial => "the port went away in the middle of this".to_owned(),
            Self::NotText => "expected UTF-8 text".to_owned(),
            Self::NotANumber => "expected a number".to_owned(),
            Self::UnknownUnit => "expected a known unit behind the number".to_owned(),
            Self::NotFinite => "expected a finite number".to_owned(),
            Self::TooLarge => "expected a number below 1e30".to_owned(),
            Self::NoNumberWord => "9.91E37 says that there is no number (SCPI)".to_owned(),
            Self::Columns { found, expected } => format!("found {found} columns, expected {expected}"),
            Self::NoHeader => "expected a header line with the names of the columns first".to_owned(),
            Self::LateHeader => "expected numbers, found words after columns without a header".to_owned(),
            Self::NotJson => "expected a JSON object".to_owned(),
            Self::NoObject => "expected a JSON object, found other JSON".to_owned(),
            Self::NotAPair => "expected a name, then : or =, then a value".to_owned(),
            Self::NoValue => "expected at least one value".to_owned(),
            Self::TooManyNames => "more names, or longer ones, than a board can sensibly have".to_owned(),
            Self::Checksum { expected, digits } => format!("the bytes give the checksum {expected:0digits$X}"),
            Self::NoChecksum => "expected a checksum".to_owned(),
            Self::NoFrame { bytes } => format!("{bytes} bytes belong to no frame"),
            Self::Stuffing => "expected no such byte inside a frame".to_owned(),
            Self::Length { found, expected } => format!("found {found} bytes, expected {expected}"),
            Self::NoMessage => "expected a message that the protocol knows".to_owned(),
            Self::UnknownWord => "expected a word that the protocol knows".to_owned(),
            Self::UnknownCode => "expected a code that the protocol knows".to_owned(),
            Self::NotDigits => "expected digits".to_owned(),
            Self::NotASegment => "expected the segments of a digit".to_owned(),
            Self::NoNumberShown => "the meter shows no number".to_owned(),
            Self::UnitsContradict => "units that are never shown for one value: the frame is damaged".to_owned(),
            Self::FunctionChanged => "the function was changed while this was read; not kept".to_owned(),
            Self::NotConfirmed => "the meter did not say of which function this is; not kept".to_owned(),
            Self::AmbiguousComma => {
                "the comma may be a decimal sign or stand between two values; write a protocol with \
                 `separator` or `names` (protocols/README.md)"
                    .to_owned()
            }
            Self::AmbiguousThousands => {
                "the comma may be a decimal sign or stand between thousands; no number before it showed which"
                    .to_owned()
            }
            Self::MegaOrMilli => "M may be mega or milli here; not kept".to_owned(),
            Self::Pause => "a pause inside a frame that is sent in one piece: bytes were lost".to_owned(),
            Self::OtherLineForm => "the end of one line and the begin of another would look like this: bytes were \
                                    probably lost; kept when three lines are like it"
                .to_owned(),
            Self::OtherNumberForm => {
                "this number had other decimals before, so the line may be two halves: bytes were \
                                      probably lost; kept when three lines are like it"
                    .to_owned()
            }
            Self::NotHex => "expected hexadecimal digits".to_owned(),
            Self::NotReadable { longest } => {
                format!("expected at most {longest} bytes of text without control characters")
            }
            Self::MeterError => "the meter says that something went wrong".to_owned(),
        }
    }
}

/// What is wrong with a frame, and at which of its bytes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct DecodeError {
    pub defect: Defect,
    pub bytes: Range<usize>,
}

impl DecodeError {
    /// At these bytes of the frame.
    pub(super) fn at(bytes: Range<usize>, defect: Defect) -> Self {
        Self { defect, bytes }
    }

    /// Of the frame as a whole.
    pub(super) fn whole(defect: Defect) -> Self {
        Self { defect, bytes: 0..0 }
    }

    /// In words.
    pub(super) fn to_problem(&self, frame: &[u8]) -> Problem {
        let words = self.defect.words();
        let shown = frame.get(self.bytes.clone()).filter(|bytes| !bytes.is_empty());
        let reason = match shown {
            Some(bytes) => format!("byte {}: found \"{}\", {words}", self.bytes.start + 1, escape(bytes)),
            None if self.bytes.start > 0 => format!("byte {}: {words}", self.bytes.start + 1),
            None => words,
        };
        Problem { kind: self.defect.kind(), reason, frame: escape(frame) }
    }
}

/// Bytes as a person can read them: text stays text, the rest is `\r`, `\x00` and the like.
pub(crate) fn escape(bytes: &[u8]) -> String {
    let mut shown = String::new();
    let mut count = 0;
    for chunk in bytes.utf8_chunks() {
        for character in chunk.valid().chars() {
            if count == QUOTED {
                return shown + "…";
            }
            count += 1;
            match character {
                '\\' => shown.push_str("\\\\"),
                '\0'..='\x1f' | '\x7f' => shown.extend((character as u8).escape_ascii().map(char::from)),
                other if other.is_control() => shown.extend(other.escape_unicode()),
                other => shown.push(other),
            }
        }
        for byte in chunk.invalid() {
            if count == QUOTED {
                return shown + "…";
            }
            count += 1;
            shown.push_str(&format!("\\x{byte:02x}"));
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_points_at_the_bytes() {
        let problem = DecodeError::at(4..7, Defect::NotANumber).to_problem(b"1.2,x\xff3,4\r");
        assert_eq!(problem.reason, "byte 5: found \"x\\xff3\", expected a number");
        assert_eq!(problem.frame, "1.2,x\\xff3,4\\r");
        assert_eq!(problem.kind, ProblemKind::Form);
    }

    #[test]
    fn a_long_frame_is_cut() {
        assert_eq!(escape(&[b'a'; 100]).chars().count(), 81);
        assert_eq!(escape("12 °C".as_bytes()), "12 °C");
    }

    #[test]
    fn kinds_stand_at_their_own_place() {
        for (index, kind) in ProblemKind::VARIANTS.iter().enumerate() {
            assert_eq!(*kind as usize, index, "{}", kind.word());
        }
    }
}
