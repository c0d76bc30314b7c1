//! A number with a unit.

use std::{str::FromStr, time::Duration};

use super::{Dimension, Unit, UnitError, show_given};

/// A value in the base unit of its dimension: `"250 mV"` is 0.25, volt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measure {
    /// The value in base units; always finite.
    pub value: f64,
    /// What it measures.
    pub dimension: Dimension,
}

const EXPECTED: &str = "a number and a unit, such as \"11.8 V\", \"3 Hz\" or \"63 °C\"";

impl FromStr for Measure {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED };
        let (number, unit) = split_number(text).ok_or_else(wrong)?;
        if unit.is_empty() {
            return Err(wrong());
        }
        let unit = Unit::parse(unit)?;
        Ok(Self { value: number * unit.factor, dimension: unit.dimension })
    }
}

impl std::fmt::Display for Measure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&show_given(self.value, self.dimension))
    }
}

/// A length of time: `"250 ms"`, `"5 min"`.
pub(crate) fn parse_duration(text: &str) -> Result<Duration, UnitError> {
    let wrong = || UnitError::Form { found: text.to_owned(), expected: "a length of time, such as \"250 ms\"" };
    let measure: Measure = text.parse().map_err(|_| wrong())?;
    if measure.dimension != Dimension::Second {
        return Err(wrong());
    }
    Duration::try_from_secs_f64(measure.value).map_err(|_| wrong())
}

/// Splits `"-1.5e3 mV"` into −1500 and `"mV"`. One comma and no point is a decimal comma.
///
/// None where the text does not begin with a finite number.
pub(crate) fn split_number(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let sign = text.strip_prefix(['+', '-', '\u{2212}']).map_or(0, |rest| text.len() - rest.len());
    let digits =
        text[sign..].find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).map_or(text.len(), |at| sign + at);
    let end = digits + exponent_length(&text[digits..]);
    let mut number = text[..end].replace('\u{2212}', "-");
    if !number.contains('.') && number.matches(',').count() == 1 {
        number = number.replace(',', ".");
    }
    let value: f64 = number.parse().ok()?;
    (digits > sign && value.is_finite()).then(|| (value, text[end..].trim_start()))
}

/// Length of `e-3` at the start of the text: an `e` counts only with digits behind it.
fn exponent_length(text: &str) -> usize {
    let Some(rest) = text.strip_prefix(['e', 'E']) else { return 0 };
    let unsigned = rest.strip_prefix(['+', '-']).unwrap_or(rest);
    match unsigned.bytes().take_while(u8::is_ascii_digit).count() {
        0 => 0,
        digits => text.len() - unsigned.len() + digits,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_a_person_writes_them() {
        for (text, value, dimension) in [
            ("11.8 V", 11.8, Dimension::Volt),
            ("11,8V", 11.8, Dimension::Volt),
            ("-50 mV", -0.05, Dimension::Volt),
            ("\u{2212}50mV", -0.05, Dimension::Volt),
            ("1e3 ohm", 1000.0, Dimension::Ohm),
            (".5 A", 0.5, Dimension::Ampere),
            ("2 bar", 2e5, Dimension::Pascal),
        ] {
            let measure: Measure = text.parse().unwrap();
            assert!((measure.value - value).abs() < 1e-12 * value.abs(), "{text}: {measure:?}");
            assert_eq!(measure.dimension, dimension, "{text}");
        }
    }

    #[test]
    fn what_is_no_value_is_refused() {
        for text in ["", "V", "11.8", "1,000,0 V", "inf V", "nan V", "1e999 V", "eleven V", "-", "11.8 Vx"] {
            assert!(text.parse::<Measure>().is_err(), "{text}");
        }
    }

    #[test]
    fn durations() {
        assert_eq!(parse_duration("250 ms"), Ok(Duration::from_millis(250)));
        assert_eq!(parse_duration("2 min"), Ok(Duration::from_secs(120)));
        assert!(parse_duration("-1 s").is_err());
        assert!(parse_duration("3 V").is_err());
    }
}
