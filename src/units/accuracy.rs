//! A meter's accuracy as its data sheet prints it.

use std::str::FromStr;

use super::{Dimension, Unit, UnitError, measure::split_number};

/// `"1.5 % + 20 mA"`, `"0.5 % + 2 digits"`: the half-width within which the true value lies by the data sheet.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Accuracy {
    /// Share of the reading: 0.015 for 1.5 %.
    pub of_reading: f64,
    /// Fixed part in base units of [`Self::dimension`].
    pub fixed: f64,
    /// Digits of the last place that the display shows.
    pub digits: f64,
    /// Of the fixed part; none where there is no fixed part.
    pub dimension: Option<Dimension>,
}

const EXPECTED: &str = "an accuracy such as \"1.5 % + 20 mA\" or \"0.5 % + 2 digits\"";

/// No data sheet promises less: common practice, no source.
const MOST_OF_READING: f64 = 0.5;

/// As [`MOST_OF_READING`], of the last digit.
const MOST_DIGITS: f64 = 10_000.0;

impl Accuracy {
    /// Half-width of the interval that holds the true value, in the value's unit.
    ///
    /// `digit` is the size of the last digit shown, in the same unit, where it is known.
    pub fn half_width(&self, value: f64, digit: Option<f64>) -> f64 {
        self.of_reading * value.abs() + self.fixed + self.digits * digit.unwrap_or(0.0)
    }
}

impl FromStr for Accuracy {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED };
        let text = text.trim().trim_start_matches('±').trim_start_matches("+/-");
        let mut sum = Self::default();
        for term in text.split('+') {
            let (number, unit) = split_number(term).ok_or_else(wrong)?;
            if number < 0.0 {
                return Err(wrong());
            }
            match unit {
                "%" | "% of reading" | "% rdg" => sum.of_reading += number / 100.0,
                "ppm" => sum.of_reading += number * 1e-6,
                "digit" | "digits" | "dgt" | "dgts" | "d" | "count" | "counts" => sum.digits += number,
                unit => {
                    let unit = Unit::parse(unit)?;
                    if sum.dimension.is_some_and(|other| other != unit.dimension) {
                        return Err(UnitError::Mixed { found: text.to_owned() });
                    }
                    sum.dimension = Some(unit.dimension);
                    sum.fixed += number * unit.factor;
                }
            }
        }
        if sum.of_reading > MOST_OF_READING || sum.digits > MOST_DIGITS {
            let expected = "at most 50 % and 10000 digits: with more, every value would be too close to call";
            return Err(UnitError::Order { found: text.to_owned(), expected });
        }
        Ok(sum)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_widths_of_worked_examples() {
        for (text, value, digit, half_width) in [
            // Vendor application note on DMM error: 2.000 V, 0.08 % + 2 digits of 1 mV is 3.6 mV.
            ("0.08 % + 2 digits", 2.0, 0.001, 0.0036),
            // Vendor application note on DMM error: 2 V, 0.5 % + 3 digits of 1 mV is 13 mV.
            ("0.5 % + 3 dgt", 2.0, 0.001, 0.013),
            // Computed: 12.345 V, 0.5 % + 3 digits of 1 mV; 14.2 ohm, 0.8 % + 5 digits of 0.1 ohm.
            ("±0.5% + 3 dgt", 12.345, 0.001, 0.064_725),
            ("0.8 % + 5 digits", 14.2, 0.1, 0.6136),
            ("1.5 % + 20 mA", 1.0, 0.001, 0.035),
            ("14 ppm + 2 uV", 0.928_571, 0.0, 14.999_994e-6),
        ] {
            let accuracy: Accuracy = text.parse().unwrap();
            assert!((accuracy.half_width(value, Some(digit)) - half_width).abs() < 1e-12, "{text}");
        }
    }

    #[test]
    fn digits_have_many_names_on_data_sheets() {
        for name in ["counts", "count", "dgt", "dgts", "digits", "digit", "d"] {
            let accuracy: Accuracy = format!("0.5 % + 2 {name}").parse().unwrap();
            assert_eq!(accuracy, Accuracy { of_reading: 0.005, digits: 2.0, ..Accuracy::default() }, "{name}");
        }
    }

    #[test]
    fn what_is_no_accuracy_is_refused() {
        for text in ["", "good", "1.5", "-1 %", "1 % + ", "1 mV + 1 mA", "1 % + 2 things"] {
            assert!(text.parse::<Accuracy>().is_err(), "{text}");
        }
    }
}
