//! Values as a person types them: readings with their last digit, lengths, sections, wire gauges.

use super::super::visit::with_only_unit;
use crate::{
    electrics::{Awg, Uncertain},
    units::{Accuracy, Dimension, Limit, Measure, Unit, split_number},
};

/// Nothing larger is measured on a machine, base units.
const LARGEST: f64 = 1e9;

/// A value as it was read from a display.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TypedValue {
    /// Base units.
    pub value: f64,
    /// What the last typed digit is worth, base units.
    pub digit: f64,
    /// What it measures.
    pub dimension: Dimension,
}

impl TypedValue {
    fn parse(text: &str, dimension: Dimension, example: &str) -> Result<Self, String> {
        let text = &with_only_unit(text, dimension.unit());
        let measure: Measure = text.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
        if measure.dimension != dimension {
            return Err(format!("expected {}, such as \"{example}\"", dimension.unit()));
        }
        if measure.value.abs() > LARGEST {
            return Err(format!("found \"{text}\", expected at most 1e9 {}", dimension.unit()));
        }
        let unit = split_number(text).and_then(|(_, unit)| Unit::parse(unit).ok());
        let factor = unit.map_or(1.0, |unit| unit.factor);
        Ok(Self { value: measure.value, digit: factor * last_digit(text), dimension })
    }

    /// With the accuracy of a data sheet, a digit being the last typed one; exact without it.
    pub(super) fn with(self, accuracy: Option<Accuracy>) -> Result<Uncertain, String> {
        let Some(accuracy) = accuracy else { return Ok(Uncertain::exact(self.value)) };
        match accuracy.dimension {
            Some(fixed) if fixed != self.dimension => {
                Err(format!("found an accuracy in {}, expected {}", fixed.unit(), self.dimension.unit()))
            }
            _ => Ok(Uncertain::rectangular(self.value, accuracy.half_width(self.value, Some(self.digit)))),
        }
    }
}

/// What the last digit of a typed number is worth: 0.01 in `12.61 V`. A decimal comma counts like a point.
fn last_digit(text: &str) -> f64 {
    let text = text.trim();
    let number =
        &text[..text.find(|c: char| !(c.is_ascii_digit() || "+-\u{2212}.,".contains(c))).unwrap_or(text.len())];
    let decimals = number.rsplit_once(['.', ',']).map_or(0, |(_, decimals)| decimals.len());
    10f64.powi(-i32::try_from(decimals).unwrap_or(0))
}

/// `"12.61 V"`
pub(super) fn volts(text: &str) -> Result<TypedValue, String> {
    TypedValue::parse(text, Dimension::Volt, "12.61 V")
}

/// `"7.5 ohm"`
pub(super) fn ohms(text: &str) -> Result<TypedValue, String> {
    let typed = TypedValue::parse(text, Dimension::Ohm, "7.5 ohm")?;
    if typed.value > 0.0 { Ok(typed) } else { Err("expected more than 0 ohm".to_owned()) }
}

/// `"1.62 A"`
pub(super) fn amps(text: &str) -> Result<TypedValue, String> {
    TypedValue::parse(text, Dimension::Ampere, "1.62 A")
}

/// Ohms as a maker gives them: a value, or a value with its tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NominalOhms {
    /// In Ω.
    pub ohms: f64,
    /// Half the width of the tolerance, in Ω; zero where there is none.
    pub within: f64,
}

/// `"7.5 ohm"` or `"7.5 ohm ± 8 %"`
pub(super) fn nominal(text: &str) -> Result<NominalOhms, String> {
    let Ok(Limit { low: Some(low), high: Some(high), dimension: Dimension::Ohm }) = Limit::nominal(text) else {
        return ohms(text).map(|typed| NominalOhms { ohms: typed.value, within: 0.0 });
    };
    if low > 0.0 {
        Ok(NominalOhms { ohms: (low + high) / 2.0, within: (high - low) / 2.0 })
    } else {
        Err("expected a tolerance of less than 100 %".to_owned())
    }
}

/// `"3 m"`, in m. Feet and inches are 0.3048 m and 0.0254 m exactly.
pub(super) fn metres(text: &str) -> Result<f64, String> {
    let wrong = || "expected a length, such as \"3 m\"".to_owned();
    let (number, unit) = split_number(text).ok_or_else(wrong)?;
    let factor = match unit {
        "m" => 1.0,
        "cm" => 0.01,
        "mm" => 0.001,
        "ft" | "'" => 0.3048,
        "in" | "\"" => 0.0254,
        _ => return Err(wrong()),
    };
    if number >= 0.0 { Ok(number * factor) } else { Err(wrong()) }
}

/// `"1.5 mm2"`, in m².
pub(super) fn section(text: &str) -> Result<f64, String> {
    let wrong = || "expected a cross-section, such as \"1.5 mm2\"".to_owned();
    match split_number(text).ok_or_else(wrong)? {
        (mm2, "mm2" | "mm²" | "mm^2" | "sqmm") if mm2 > 0.0 => Ok(mm2 * 1e-6),
        _ => Err(wrong()),
    }
}

/// `"16"`, `"16 AWG"` or `"AWG 16"`
pub(super) fn gauge(text: &str) -> Result<Awg, String> {
    let upper = text.trim().to_ascii_uppercase();
    let bare = upper.strip_prefix("AWG").or(upper.strip_suffix("AWG")).unwrap_or(&upper);
    bare.parse().map_err(|error: crate::electrics::WireError| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-12 * expected.abs(), "{found}, expected {expected}");
    }

    #[test]
    fn values_carry_the_digit_they_were_read_to() {
        for (text, value, digit) in
            [("12.61 V", 12.61, 0.01), ("12,8 V", 12.8, 0.1), ("87.0 mV", 0.087, 1e-4), ("13 V", 13.0, 1.0)]
        {
            let typed = volts(text).unwrap();
            near(typed.value, value);
            near(typed.digit, digit);
        }
        assert_eq!(volts("12.61").unwrap().value, 12.61, "only volts are possible");
        assert!(volts("1e308 V").is_err() && volts("12.61 A").is_err() && ohms("0 ohm").is_err());
    }

    #[test]
    fn an_accuracy_is_counted_with_these_digits() {
        // Vendor application note on DMM error: 2.000 V, 0.08 % + 2 digits of 1 mV is 3.6 mV; u = a/√3 (JCGM 100 4.3.7).
        let accuracy = Some("0.08 % + 2 digits".parse().unwrap());
        near(volts("2.000 V").unwrap().with(accuracy).unwrap().u, 0.0036 / 3f64.sqrt());
        assert_eq!(volts("2.000 V").unwrap().with(None).unwrap().u, 0.0);
        assert!(volts("2.000 V").unwrap().with(Some("1 % + 20 mA".parse().unwrap())).is_err());
    }

    #[test]
    fn wires_as_written() {
        for (text, expected) in [("3 m", 3.0), ("250 cm", 2.5), ("10 ft", 3.048), ("1,5 m", 1.5)] {
            near(metres(text).unwrap(), expected);
        }
        for text in ["1.5 mm2", "1.5 mm²", "1,5 mm^2", "1.5 sqmm"] {
            near(section(text).unwrap(), 1.5e-6);
        }
        for text in ["16", "16 AWG", "awg 16", "AWG16"] {
            assert_eq!(gauge(text), Ok(Awg::new(16).unwrap()), "{text}");
        }
        assert!(metres("3").is_err() && metres("-3 m").is_err() && section("1.5").is_err() && gauge("1.5").is_err());
    }

    #[test]
    fn nominals_with_and_without_a_tolerance() {
        let NominalOhms { ohms, within } = nominal("7.5 ohm ± 8 %").unwrap();
        near(ohms, 7.5);
        near(within, 0.6);
        assert_eq!(nominal("7.5 ohm"), Ok(NominalOhms { ohms: 7.5, within: 0.0 }));
        assert!(nominal("7.5 V ± 8 %").is_err() && nominal("7.5 ohm ± 200 %").is_err());
    }
}
