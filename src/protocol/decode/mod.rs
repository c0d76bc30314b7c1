//! A frame becomes readings. A decoder knows one kind of frame, never how frames are cut.
//!
//! Decoders write straight into the caller's lists and allocate nothing once they have met the
//! names and units of their port.

mod columns;
mod json;
mod number;
mod pairs;

use std::ops::Range;

pub(super) use columns::{Columns, ColumnsRule, HeaderRule, Separator, TimeColumn};
pub(super) use json::{Json, JsonRule};
pub(super) use number::{Number, NumberRule};
pub(super) use pairs::{Pairs, PairsRule};

use super::{
    Annunciators, Reading,
    names::Names,
    number::Token,
    problem::{Fault, ProblemKind, Wrong},
};

/// How a protocol's frames are read.
#[derive(Debug, Clone)]
pub(super) enum DecodeRule {
    Columns(ColumnsRule),
    Pairs(PairsRule),
    Json(JsonRule),
    Number(NumberRule),
}

impl DecodeRule {
    /// The names of the values where the file fixes them.
    pub fn fixed_names(&self) -> Option<&[String]> {
        match self {
            Self::Columns(rule) => rule.values.as_deref(),
            Self::Number(rule) => Some(&rule.name),
            Self::Pairs(_) | Self::Json(_) => None,
        }
    }
}

/// A value by name that is the device's time.
#[derive(Debug, Clone)]
pub(super) struct TimeKey {
    pub name: String,
    /// How many of its unit are a second.
    pub in_a_second: f64,
}

/// What a frame turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taken {
    /// Values, perhaps none.
    Frame,
    /// A header or an empty line: understood, and no frame.
    Aside,
}

/// Where a decoder puts what it finds in one frame.
pub(super) struct Sink<'a> {
    pub readings: &'a mut Vec<Reading>,
    pub names: &'a mut Names,
    /// Values refused while the rest of the frame is kept.
    pub refused: &'a mut Vec<Fault>,
    /// Seconds on the device's clock.
    pub device_time: Option<f64>,
}

impl Sink<'_> {
    /// A value under its name, which stands at these bytes of the frame.
    #[inline]
    pub fn value(&mut self, name: &str, token: Result<Token, Wrong>, bytes: Range<usize>) -> Result<(), Fault> {
        let number = self.names.number(name).ok_or_else(|| Fault::at(bytes.clone(), Wrong::TooManyNames))?;
        self.numbered(number, token, bytes)
    }

    /// A value under the number of its name. A value that must not be used is refused alone, a
    /// damaged one refuses the frame.
    #[inline]
    pub fn numbered(&mut self, name: u16, token: Result<Token, Wrong>, bytes: Range<usize>) -> Result<(), Fault> {
        match token {
            Ok(Token { value, place, function }) => {
                self.readings.push(Reading { name, function, value, place, annunciators: Annunciators::empty() });
                Ok(())
            }
            Err(wrong) if wrong.kind() == ProblemKind::BadValue => {
                self.refused.push(Fault::at(bytes, wrong));
                Ok(())
            }
            Err(wrong) => Err(Fault::at(bytes, wrong)),
        }
    }

    /// The device's time, in a unit of which so many are a second.
    #[inline]
    pub fn time(&mut self, token: Result<Token, Wrong>, in_a_second: f64, bytes: Range<usize>) -> Result<(), Fault> {
        match token {
            Ok(Token { value: super::Value::Number(time), .. }) => {
                self.device_time = Some(time / in_a_second);
                Ok(())
            }
            Ok(_) => Err(Fault::at(bytes, Wrong::NotANumber)),
            Err(wrong) => Err(Fault::at(bytes, wrong)),
        }
    }
}

/// The decoder of one port.
#[derive(Debug)]
pub(super) enum Decoder {
    Columns(Columns),
    Pairs(Pairs),
    Json(Json),
    Number(Number),
}

impl Decoder {
    pub fn new(rule: &DecodeRule) -> Self {
        match rule {
            DecodeRule::Columns(rule) => Self::Columns(Columns::new(rule.clone())),
            DecodeRule::Pairs(rule) => Self::Pairs(Pairs::new(rule.clone())),
            DecodeRule::Json(rule) => Self::Json(Json::new(rule.clone())),
            DecodeRule::Number(rule) => Self::Number(Number::new(rule)),
        }
    }

    /// Reads one frame.
    ///
    /// # Errors
    /// The fault for which the whole frame is refused; the caller takes back what it brought.
    #[inline]
    pub fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<Taken, Fault> {
        match self {
            Self::Columns(columns) => columns.decode(frame, sink),
            Self::Pairs(pairs) => pairs.decode(frame, sink),
            Self::Json(json) => json.decode(frame, sink),
            Self::Number(number) => number.decode(frame, sink),
        }
    }

    /// The port went away: what follows is a device that begins anew.
    pub fn lost(&mut self) {
        match self {
            Self::Columns(columns) => columns.lost(),
            Self::Pairs(_) | Self::Json(_) | Self::Number(_) => {}
        }
    }
}

/// The text of a frame.
#[inline]
fn text(frame: &[u8]) -> Result<&str, Fault> {
    std::str::from_utf8(frame).map_err(|error| {
        let at = error.valid_up_to();
        Fault::at(at..at + error.error_len().unwrap_or(frame.len() - at), Wrong::NotText)
    })
}
