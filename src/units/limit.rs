//! What a value must keep to.

use super::{Dimension, Measure, UnitError, measure::split_number, show::show_limit};

/// A limit or a pair of them, in base units; what stands on the limit is still within.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// The least value that is still within.
    pub low: Option<f64>,
    /// The greatest value that is still within.
    pub high: Option<f64>,
    /// What is limited.
    pub dimension: Dimension,
}

const EXPECTED_BETWEEN: &str = "two values, such as \"0.9 A to 1.2 A\"";
const EXPECTED_NOMINAL: &str = "a value and its tolerance, such as \"7.5 ohm ± 8 %\" or \"7.5 ohm ± 0.6 ohm\"";

/// Width of an `at_least` limit as a share of its value: common practice, no source. A feed of 11.8 V that should be 12.6 V
/// is decided by tenths of a volt, not by volts.
const ROOM_BELOW: f64 = 0.1;

impl Limit {
    /// Half of the room that the limit leaves, base units: half the width between two limits, half of an `at_most`
    /// (drops and draws are best at zero), a tenth of an `at_least`; infinite without a limit.
    pub fn room(&self) -> f64 {
        match (self.low, self.high) {
            (Some(low), Some(high)) => (high - low) / 2.0,
            (None, Some(high)) => high.abs() / 2.0,
            (Some(low), None) => low.abs() * ROOM_BELOW,
            (None, None) => f64::INFINITY,
        }
    }

    /// `at_least = "11.8 V"`
    pub fn at_least(least: Measure) -> Self {
        Self { low: Some(least.value), high: None, dimension: least.dimension }
    }

    /// `at_most = "100 mV"`
    pub fn at_most(most: Measure) -> Self {
        Self { low: None, high: Some(most.value), dimension: most.dimension }
    }

    /// `between = "0.9 A to 1.2 A"`; the first unit may be left out.
    pub fn between(text: &str) -> Result<Self, UnitError> {
        let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED_BETWEEN };
        let (low, high) =
            [" to ", "...", "..", "…", " and "].iter().find_map(|word| text.split_once(word)).ok_or_else(wrong)?;
        let (low, high) = pair(low, high, text)?;
        if low.value > high.value {
            return Err(UnitError::Order { found: text.to_owned(), expected: "the smaller value first" });
        }
        Ok(Self { low: Some(low.value), high: Some(high.value), dimension: low.dimension })
    }

    /// `nominal = "7.5 ohm ± 8 %"`; `+/-` and `+-` serve for ±.
    pub fn nominal(text: &str) -> Result<Self, UnitError> {
        let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED_NOMINAL };
        let (nominal, tolerance) =
            ["±", "+/-", "+-"].iter().find_map(|sign| text.split_once(sign)).ok_or_else(wrong)?;
        let (nominal, half_width) = match split_number(tolerance) {
            Some((percent, "%")) => {
                let nominal: Measure = nominal.parse()?;
                (nominal, nominal.value.abs() * percent / 100.0)
            }
            _ => {
                let (nominal, tolerance) = pair(nominal, tolerance, text)?;
                (nominal, tolerance.value)
            }
        };
        if half_width < 0.0 {
            return Err(UnitError::Order { found: text.to_owned(), expected: "a tolerance that is not negative" });
        }
        Ok(Self {
            low: Some(nominal.value - half_width),
            high: Some(nominal.value + half_width),
            dimension: nominal.dimension,
        })
    }
}

/// Two values in one unit; a first value without a unit takes the second's.
fn pair(first: &str, second: &str, whole: &str) -> Result<(Measure, Measure), UnitError> {
    let first: Measure = match (split_number(first), split_number(second)) {
        (Some((_, "")), Some((_, unit))) => format!("{first} {unit}").parse()?,
        _ => first.parse()?,
    };
    let second: Measure = second.parse()?;
    if first.dimension != second.dimension {
        return Err(UnitError::Mixed { found: whole.to_owned() });
    }
    Ok((first, second))
}

impl std::fmt::Display for Limit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&show_limit(self))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(limit: &Limit, low: f64, high: f64) -> bool {
        (limit.low.unwrap() - low).abs() < 1e-12 && (limit.high.unwrap() - high).abs() < 1e-12
    }

    #[test]
    fn tolerances_as_written() {
        // 7.5 ohm with 8 % is 6.9 to 8.1 ohm: arithmetic.
        for text in ["7.5 ohm ± 8 %", "7.5 ohm ±8%", "7.5 Ω +/- 0.6 Ω", "7.5 ± 0.6 ohm", "7500 mohm +- 600 mohm"] {
            let limit = Limit::nominal(text).unwrap();
            assert!(close(&limit, 6.9, 8.1), "{text}: {limit:?}");
            assert_eq!(limit.dimension, Dimension::Ohm);
        }
    }

    #[test]
    fn ranges_as_written() {
        for text in ["0.9 A to 1.2 A", "0.9 to 1.2 A", "900 mA … 1.2 A", "0,9 and 1,2 A", "0.9..1.2 A"] {
            let limit = Limit::between(text).unwrap();
            assert!(close(&limit, 0.9, 1.2), "{text}: {limit:?}");
        }
        for text in ["700 rpm to 900 rpm", "700 1/min to 900 1/min", "700 to 900 /min"] {
            assert_eq!(Limit::between(text).unwrap().to_string(), "700 rpm to 900 rpm", "{text}");
        }
    }

    #[test]
    fn mistakes_are_refused() {
        for text in ["1.2 A to 0.9 A", "0.9 A", "0.9 to 1.2", "0.9 V to 1.2 A"] {
            assert!(Limit::between(text).is_err(), "{text}");
        }
        for text in ["7.5 ohm", "7.5 ± 8 %", "7.5 ohm ± 8 V", "7.5 ohm ± -8 %"] {
            assert!(Limit::nominal(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_limit_is_reported_in_words() {
        assert_eq!(Limit::at_least("11.8 V".parse().unwrap()).to_string(), "at least 11.8 V");
        assert_eq!(Limit::nominal("7.5 ohm ± 8 %").unwrap().to_string(), "6.9 ohm to 8.1 ohm");
    }
}
