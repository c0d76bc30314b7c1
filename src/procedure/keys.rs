//! The values of a step's keys, each read from its text. Knows no table and no other key.

use std::{str::FromStr, time::Duration};

use super::{
    Advance, CaptureMode, PartTemperature,
    relative::{LimitKey, WrittenRelative, relative},
};
use crate::{
    electrics::DecisionRule,
    text_length::{TooLong, check_name, check_text},
    units::{Dimension, Limit, Measure, UnitError, parse_duration},
    words::{from_text, words},
};

/// A name of the file's own: of a step, a circuit, an item.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct WrittenName(pub(super) String);

impl FromStr for WrittenName {
    type Err = TooLong;

    fn from_str(text: &str) -> Result<Self, TooLong> {
        check_name("name", text).map(|()| Self(text.to_owned()))
    }
}

/// Sentences: an instruction, a caution.
#[derive(Debug, Clone, Default)]
pub(super) struct WrittenText(pub(super) String);

impl FromStr for WrittenText {
    type Err = TooLong;

    fn from_str(text: &str) -> Result<Self, TooLong> {
        check_text("text", text).map(|()| Self(text.to_owned()))
    }
}

/// `"250 ms"`
#[derive(Debug, Clone, Copy)]
pub(super) struct Time(pub(super) Duration);

impl FromStr for Time {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        parse_duration(text).map(Self)
    }
}

/// A limit as one of its keys gives it: by itself, or by other values.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum LimitValue<T> {
    Plain(T),
    Relative(Box<WrittenRelative>),
}

impl<T> LimitValue<T> {
    fn read(key: LimitKey, text: &str, plain: impl Fn(&str) -> Result<T, UnitError>) -> Result<Self, UnitError> {
        match relative(key, text)? {
            Some(relative) => Ok(Self::Relative(Box::new(relative))),
            None => plain(text).map(Self::Plain),
        }
    }
}

/// `at_least = "11.8 V"`
#[derive(Debug, Clone)]
pub(super) struct AtLeast(pub(super) LimitValue<Measure>);

/// `at_most = "100 mV"`
#[derive(Debug, Clone)]
pub(super) struct AtMost(pub(super) LimitValue<Measure>);

/// `between = "0.9 A to 1.2 A"`
#[derive(Debug, Clone)]
pub(super) struct Between(pub(super) LimitValue<Limit>);

/// `nominal = "7.5 ohm ± 8 %"`
#[derive(Debug, Clone)]
pub(super) struct Nominal(pub(super) LimitValue<Limit>);

impl FromStr for AtLeast {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        LimitValue::read(LimitKey::AtLeast, text, str::parse).map(Self)
    }
}

impl FromStr for AtMost {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        LimitValue::read(LimitKey::AtMost, text, str::parse).map(Self)
    }
}

impl FromStr for Between {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        LimitValue::read(LimitKey::Between, text, Limit::between).map(Self)
    }
}

impl FromStr for Nominal {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        LimitValue::read(LimitKey::Nominal, text, Limit::nominal).map(Self)
    }
}

const CONTACT: &str = "\"fixed\" for leads that stay where they are, or a value that proves contact, such as \"0.5 V\"";

/// `contact = "0.5 V"`, or `contact = "fixed"` for leads that stay where they are.
#[derive(Debug, Clone, Copy)]
pub(super) enum Contact {
    Fixed,
    AtLeast(Measure),
}

impl FromStr for Contact {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        if text.trim().eq_ignore_ascii_case("fixed") {
            return Ok(Self::Fixed);
        }
        text.parse().map(Self::AtLeast).map_err(|error| match error {
            UnitError::Form { found, .. } => UnitError::Form { found, expected: CONTACT },
            other => other,
        })
    }
}

/// `hysteresis = "10 %"`, as a share: 0.1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Share(pub(super) f64);

impl FromStr for Share {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let percent: Measure = text.parse()?;
        if percent.dimension != Dimension::Percent || !(0.0..100.0).contains(&percent.value) {
            return Err(UnitError::Form { found: text.to_owned(), expected: "a share such as \"10 %\"" });
        }
        Ok(Self(percent.value / 100.0))
    }
}

/// `"20 °C"`
#[derive(Debug, Clone, Copy)]
pub(super) struct Celsius(pub(super) f64);

impl FromStr for Celsius {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let measure: Measure = text.parse()?;
        if measure.dimension == Dimension::Celsius {
            return Ok(Self(measure.value));
        }
        Err(UnitError::Form { found: text.to_owned(), expected: "a temperature such as \"20 °C\"" })
    }
}

/// `"-10 °C to 60 °C"`
#[derive(Debug, Clone, Copy)]
pub(super) struct CelsiusRange(pub(super) (f64, f64));

impl FromStr for CelsiusRange {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let range = Limit::between(text)?;
        match (range.low, range.high, range.dimension) {
            (Some(low), Some(high), Dimension::Celsius) => Ok(Self((low, high))),
            _ => {
                Err(UnitError::Form { found: text.to_owned(), expected: "temperatures such as \"-10 °C to 60 °C\"" })
            }
        }
    }
}

/// `temperature = "63 °C"`, or the name of a channel that measures it.
impl FromStr for PartTemperature {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        match text.parse() {
            Ok(Celsius(given)) => Ok(Self::Given(given)),
            Err(error) if text.starts_with(|c: char| c.is_ascii_digit() || c == '-') => Err(error),
            Err(_) => Ok(Self::Channel(text.to_owned())),
        }
    }
}

from_text!(WrittenName, WrittenText, Time, Share, Celsius, CelsiusRange, PartTemperature);

words!(Advance, CaptureMode, DecisionRule);

/// `driver_drop = "0.05 V to 0.3 V"`
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread(pub(super) Limit);

impl FromStr for Spread {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        Limit::between(text).map(Self)
    }
}
