//! What a clamp, shunt or divider gives out for what goes in.

use std::str::FromStr;

use super::{Dimension, Measure, Unit, UnitError, measure::split_number};

/// `"100 mV/A"`: the reading is in volts, the sample in amps, and 0.1 V is 1 A.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// What the meter must show; none where any will do (`"10:1"`).
    pub from: Option<Dimension>,
    /// What goes through the circuit; none where it stays what the meter shows.
    pub to: Option<Dimension>,
    /// Sample per reading, both in base units; finite and not zero. Negative turns a reversed lead round.
    pub factor: f64,
    /// What the reading is where nothing goes through the circuit, base units of `from`: the rest of a bare current sensor.
    pub offset: f64,
    /// By what share of itself it may be off, either way (1 = 100 %); zero where not stated.
    pub tolerance: f64,
}

const EXPECTED: &str = "what is given out for what goes in, such as \"100 mV/A\", \"1 mV per 10 mA ± 1 %\", \"0.5 V + 20 mV/A\" or \"10:1\"";

/// What clamps, shunts and dividers do to a value: common practice, no source.
const FACTORS: std::ops::RangeInclusive<f64> = 1e-6..=1e6;

impl Scale {
    /// Nothing between circuit and meter.
    pub const NONE: Self = Self { from: None, to: None, factor: 1.0, offset: 0.0, tolerance: 0.0 };

    /// The sample that a reading means, base units.
    pub fn apply(&self, reading: f64) -> f64 {
        (reading - self.offset) * self.factor
    }
}

impl FromStr for Scale {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED };
        let (text, tolerance) = match ["±", "+/-", "+-"].iter().find_map(|sign| text.split_once(sign)) {
            Some((text, share)) => (text.trim(), percent(share).ok_or_else(wrong)?),
            None => (text, 0.0),
        };
        let (text, offset, sign) = match with_offset(text) {
            Some((offset, sign, slope)) => (slope, Some(offset), sign),
            None => (text, None, 1.0),
        };
        let scale = match (text.split_once(" per "), text.split_once('/'), text.split_once(':')) {
            (Some((out, through)), ..) | (None, Some((out, through)), _) => {
                Self { tolerance, ..ratio(out, through).ok_or_else(wrong)?? }
            }
            (None, None, Some((through, out))) => {
                let (through, out) = (bare(through).ok_or_else(wrong)?, bare(out).ok_or_else(wrong)?);
                if through <= 0.0 || out <= 0.0 {
                    let found = text.to_owned();
                    return Err(UnitError::Order {
                        found,
                        expected: "a divider of two values above zero, such as \"10:1\"",
                    });
                }
                Self { from: None, to: None, factor: through / out, offset: 0.0, tolerance }
            }
            _ => return Err(wrong()),
        };
        let scale = match offset {
            None => scale,
            Some(offset) => {
                let offset: Measure = offset.parse()?;
                if scale.from != Some(offset.dimension) {
                    return Err(wrong());
                }
                Self { offset: offset.value, factor: sign * scale.factor, ..scale }
            }
        };
        if !FACTORS.contains(&scale.factor.abs()) {
            let expected =
                "a clamp, shunt or divider that exists: between a millionth and a million times what the meter shows";
            return Err(UnitError::Order { found: text.to_owned(), expected });
        }
        (scale.factor.is_finite() && scale.factor != 0.0).then_some(scale).ok_or_else(wrong)
    }
}

/// `0.5 V + 20 mV/A` as what is given out at rest, the sign of the rest, and the rest.
fn with_offset(text: &str) -> Option<(&str, f64, &str)> {
    let signs = [(" + ", 1.0), (" - ", -1.0), (" \u{2212} ", -1.0)];
    signs.into_iter().find_map(|(word, sign)| text.split_once(word).map(|(offset, slope)| (offset, sign, slope)))
}

/// `1 %` as a share, more than zero and less than all.
fn percent(text: &str) -> Option<f64> {
    let (value, _) = split_number(text).filter(|(_, unit)| *unit == "%")?;
    (0.0 < value && value < 100.0).then_some(value / 100.0)
}

fn bare(text: &str) -> Option<f64> {
    split_number(text).filter(|(_, rest)| rest.is_empty()).map(|(value, _)| value)
}

/// `100 mV` over `A`, or `1 mV` over `10 mA`: a missing number below is one.
fn ratio(out: &str, through: &str) -> Option<Result<Scale, UnitError>> {
    let (out_number, out_unit) = split_number(out)?;
    let (through_number, through_unit) = split_number(through).unwrap_or((1.0, through.trim()));
    let units = Unit::parse(out_unit).and_then(|out| Ok((out, Unit::parse(through_unit)?)));
    Some(units.map(|(out, through)| Scale {
        from: Some(out.dimension),
        to: Some(through.dimension),
        factor: (through_number * through.factor) / (out_number * out.factor),
        offset: 0.0,
        tolerance: 0.0,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clamps_and_dividers() {
        // A clamp that gives 1 mV per 10 mA shows 0.5 A at 50 mV: common practice, no source.
        for (text, reading, sample) in [
            ("1 mV per 10 mA", 0.050, 0.5),
            ("1 mV/10 mA", 0.050, 0.5),
            ("100 mV/A", 0.050, 0.5),
            ("-100 mV/A", 0.050, -0.5),
            ("10:1", 1.25, 12.5),
            ("204.8 counts/V", 1024.0, 5.0),
            // Bare current sensors on 5 V rest at half a volt, or at half of their supply: common practice, no source.
            ("0.5 V + 20 mV/A", 1.5, 50.0),
            ("500 mV + 20 mV/A ± 1 %", 0.5, 0.0),
            ("2.5 V - 66 mV/A", 2.17, 5.0),
            ("2,5 V + -66 mV/A", 2.17, 5.0),
        ] {
            let scale: Scale = text.parse().unwrap();
            assert!((scale.apply(reading) - sample).abs() < 1e-12, "{text}: {scale:?}");
        }
        let clamp: Scale = "100 mV/A".parse().unwrap();
        assert_eq!((clamp.from, clamp.to, clamp.tolerance), (Some(Dimension::Volt), Some(Dimension::Ampere), 0.0));
        for text in ["1 mV per 10 mA ± 1.5 %", "1 mV/10 mA +/- 1.5 %", "10:1 ±1.5%"] {
            assert_eq!(text.parse::<Scale>().unwrap().tolerance, 0.015, "{text}");
        }
    }

    #[test]
    fn what_is_no_scale_is_refused() {
        for text in [
            "",
            "100 mV",
            "0 mV/A",
            "100 mX/A",
            "mV/A",
            "10:0",
            "1e-400 V/A",
            "10:1 ± 1 V",
            "10:1 ± 0 %",
            "10:1 ±",
            "± 1 %",
            "0.5 V +",
            "0.5 A + 20 mV/A",
            "0.5 V + 10:1",
            "+ 20 mV/A",
        ] {
            assert!(text.parse::<Scale>().is_err(), "{text}");
        }
    }
}
