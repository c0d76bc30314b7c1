//! Values as a person reads them: with the digits that were shown, the prefix of what they stand beside, always the unit.
//!
//! One rule: a value is written to the decade of its last digit, as the meter showed it, and with the prefix of the step's limit.
//! What was worked out, and what a meter without a known last digit sent, has four significant digits.

use super::{Dimension, Limit, Quantity};

/// How a value is written: the decade of its last digit, and the prefix of its unit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ValueFormat {
    dimension: Dimension,
    /// The power of ten of the last digit, base units; none where it is not known.
    decade: Option<i32>,
    /// The prefix of the limit that it is held against; none for the usual one.
    prefix: Option<Prefix>,
}

/// A prefix: its name, and the power of ten that it stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Prefix {
    name: &'static str,
    exponent: i32,
}

const NONE: Prefix = Prefix { name: "", exponent: 0 };
const MILLI: Prefix = Prefix { name: "m", exponent: -3 };
const KILO: Prefix = Prefix { name: "k", exponent: 3 };
const MEGA: Prefix = Prefix { name: "M", exponent: 6 };

/// From here on a value leaves the prefix of its limit: 12.61 V on a step for a drop of 100 mV are no 12610 mV.
const FIGURES_BEFORE_THE_POINT: f64 = 1e4;

impl ValueFormat {
    /// `digit` is what the last digit is worth, base units; the limit is the one that the value is held against.
    pub(crate) fn new(quantity: Quantity, digit: Option<f64>, limit: Option<&Limit>) -> Self {
        let dimension = quantity.dimension();
        // Hairs beside a power of ten, as of a clamp's scale.
        let decade = digit.filter(|digit| digit.is_finite() && *digit > 0.0);
        let decade = decade.map(|digit| (digit.log10() + 1e-9).floor() as i32);
        let prefix = limit.filter(|limit| limit.dimension == dimension).and_then(prefix_of_limit);
        Self { dimension, decade, prefix }
    }

    /// `7.60 ohm`, `341 mV`
    pub(crate) fn show(self, value: f64) -> String {
        let prefix = self.prefix(value);
        let value = value / prefix.factor();
        match self.decade {
            Some(decade) => self.with_unit(fixed(value, prefix.exponent - decade), prefix),
            None => self.with_unit(digits(value), prefix),
        }
    }

    /// By how much a value misses or keeps its limit. Where the last digit is known, never as nothing: what misses by less than
    /// that misses.
    pub(crate) fn show_difference(self, difference: f64) -> String {
        let least =
            self.decade.map(|decade| 10f64.powi(decade)).filter(|least| difference > 0.0 && difference < least / 2.0);
        match least {
            Some(least) => format!("less than {}", self.show(least)),
            None => self.show(difference),
        }
    }

    /// `12.613 V ± 0.17 V`: the half-width to two significant digits, both with the value's prefix. A half-width below the last
    /// digit is rounded up to one of that (JCGM 100:2008, 7.2.6, from memory). Where the last digit is not known, the value has
    /// the decade of the half-width.
    pub(crate) fn show_with(self, value: f64, half_width: f64) -> String {
        let half_width = half_width.abs();
        if half_width == 0.0 {
            return self.show(value);
        }
        let prefix = self.prefix(value);
        // 0.17 has its second digit at 10^-2.
        let two_digits = half_width.log10().floor() as i32 - 1;
        let (half_width, of_half_width) = match self.decade {
            Some(decade) if two_digits < decade => {
                let step = 10f64.powi(decade);
                ((half_width / step - 1e-9).ceil() * step, decade)
            }
            _ => (half_width, two_digits),
        };
        let decade = self.decade.unwrap_or(two_digits);
        let show = |value: f64, decade: i32| {
            self.with_unit(fixed(value / prefix.factor(), (prefix.exponent - decade).min(6)), prefix)
        };
        format!("{} ± {}", show(value, decade), show(half_width, of_half_width))
    }

    /// The limit's prefix, where it needs no digit that was not shown; else the usual one of the digit or of the value.
    fn prefix(self, value: f64) -> Prefix {
        let of_limit = self.prefix.filter(|prefix| {
            self.decade.is_none_or(|decade| decade <= prefix.exponent)
                && value.abs() < FIGURES_BEFORE_THE_POINT * prefix.factor()
        });
        match (of_limit, self.decade) {
            (Some(prefix), _) => prefix,
            _ if !self.dimension.takes_prefix() => NONE,
            // The prefix follows the digit, so that a value which goes up and down keeps its unit.
            (None, Some(-3..=0)) => NONE,
            (None, Some(1..=3)) => KILO,
            (None, Some(4..)) => {
                if self.dimension.takes_mega() {
                    MEGA
                } else {
                    KILO
                }
            }
            (None, _) => usual_prefix(value, self.dimension),
        }
    }

    fn with_unit(self, number: String, prefix: Prefix) -> String {
        match self.dimension {
            Dimension::Plain => number,
            dimension => format!("{number} {}{}", prefix.name, dimension.unit()),
        }
    }
}

impl Prefix {
    fn factor(self) -> f64 {
        10f64.powi(self.exponent)
    }
}

/// `12.45 V`, `87.00 mV`, `1.250 kohm`: a value that was worked out, or whose last digit is not known.
pub(crate) fn show(value: f64, quantity: Quantity) -> String {
    ValueFormat::new(quantity, None, None).show(value)
}

/// `12.61 V ± 0.17 V`, of a value that was worked out.
pub(crate) fn show_with(value: f64, half_width: f64, quantity: Quantity) -> String {
    ValueFormat::new(quantity, None, None).show_with(value, half_width)
}

/// `11.8 V`, `100 mV`: what a person gave, at most four significant digits and no zeros behind the last.
pub(crate) fn show_given(value: f64, dimension: Dimension) -> String {
    show_given_in(value, dimension, prefix_of_given(value, dimension))
}

/// The limits as a person gives them, both with one prefix.
pub(super) fn show_limit(limit: &Limit) -> String {
    let prefix = prefix_of_limit(limit).unwrap_or(NONE);
    let show = |value| show_given_in(value, limit.dimension, prefix);
    match (limit.low, limit.high) {
        (Some(low), Some(high)) => format!("{} to {}", show(low), show(high)),
        (Some(low), None) => format!("at least {}", show(low)),
        (None, Some(high)) => format!("at most {}", show(high)),
        (None, None) => "no limit".to_owned(),
    }
}

fn show_given_in(value: f64, dimension: Dimension, prefix: Prefix) -> String {
    let value = value / prefix.factor();
    // Three decimals of a limit that has its prefix from another one are too few.
    let text = if value != 0.0 && value.abs() < 1.0 {
        fixed(value, 3 - value.abs().log10().floor() as i32)
    } else {
        digits(value)
    };
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    let format = ValueFormat { dimension, decade: None, prefix: None };
    format.with_unit(text.to_owned(), prefix)
}

/// That of the larger limit; none without a limit, and for units that take none.
fn prefix_of_limit(limit: &Limit) -> Option<Prefix> {
    let size = limit.low.unwrap_or(0.0).abs().max(limit.high.unwrap_or(0.0).abs());
    (limit.low.is_some() || limit.high.is_some()).then(|| prefix_of_given(size, limit.dimension))
}

/// Drops of less than a volt are given in millivolts: common practice, no source.
fn prefix_of_given(value: f64, dimension: Dimension) -> Prefix {
    match usual_prefix(value, dimension) {
        NONE if dimension == Dimension::Volt && value != 0.0 && value.abs() < 1.0 => MILLI,
        usual => usual,
    }
}

/// The name of the usual prefix for a value, and what one of the prefixed unit is worth.
pub(super) fn spoken_prefix(value: f64, dimension: Dimension) -> (&'static str, f64) {
    let prefix = usual_prefix(value, dimension);
    (prefix.name, prefix.factor())
}

/// The usual prefix for a value.
fn usual_prefix(value: f64, dimension: Dimension) -> Prefix {
    if !dimension.takes_prefix() {
        return NONE;
    }
    // Half a volt, half an amp and half an ohm are read as such at the bench.
    let bench = matches!(dimension, Dimension::Volt | Dimension::Ampere | Dimension::Ohm);
    match value.abs() {
        0.0 => NONE,
        size if size < 1e-9 && dimension == Dimension::Farad => Prefix { name: "p", exponent: -12 },
        size if size < 1e-6 && dimension == Dimension::Farad => Prefix { name: "n", exponent: -9 },
        // Below a microunit of anything else measured here there is only noise.
        size if size < 1e-3 => Prefix { name: "µ", exponent: -6 },
        size if bench && (0.2..1.0).contains(&size) => NONE,
        size if size < 0.999_95 => MILLI,
        size if size < 999.95 || dimension == Dimension::Second => NONE,
        size if size < 999_950.0 => KILO,
        _ => MEGA,
    }
}

/// A time since some beginning: `3.2 s`, `4 min 07 s`, `1 h 02 min`.
pub(crate) fn show_seconds(seconds: f64) -> String {
    if seconds < 60.0 {
        return format!("{seconds:.1} s");
    }
    let whole = seconds.round() as u64;
    match whole / 3600 {
        0 => format!("{} min {:02} s", whole / 60, whole % 60),
        hours => format!("{hours} h {:02} min", whole % 3600 / 60),
    }
}

/// How long something lasted, finer than [`show_seconds`]: `0.4 ms`, `12 ms`, `1.25 s`, `3.2 s`.
pub(crate) fn show_duration(seconds: f64) -> String {
    let ms = |decimals: usize| format!("{} ms", without_sign_of_nothing(format!("{:.decimals$}", seconds * 1e3)));
    match seconds.abs() {
        size if size < 0.001 => ms(1),
        size if size < 0.9995 => ms(0),
        size if size < 10.0 => format!("{seconds:.2} s"),
        _ => show_seconds(seconds),
    }
}

/// Four significant digits, never an exponent, never more than three decimals.
fn digits(value: f64) -> String {
    let decimals = match value.abs() {
        size if size < 9.9995 => 3,
        size if size < 99.995 => 2,
        size if size < 999.95 => 1,
        _ => 0,
    };
    without_sign_of_nothing(format!("{value:.decimals$}"))
}

/// A number with so many decimals: none where the last digit stands before the point, never more than a double can hold.
fn fixed(value: f64, decimals: i32) -> String {
    let decimals = usize::try_from(decimals).unwrap_or(0).min(12);
    without_sign_of_nothing(format!("{value:.decimals$}"))
}

/// A value that rounds to nothing has no sign.
fn without_sign_of_nothing(text: String) -> String {
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) { text.trim_start_matches('-').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_read_well() {
        for (seconds, text) in [
            (-2e-5, "0.0 ms"),
            (4e-4, "0.4 ms"),
            (-0.0012, "-1 ms"),
            (0.4, "400 ms"),
            (2.5, "2.50 s"),
            (61.0, "1 min 01 s"),
        ] {
            assert_eq!(show_duration(seconds), text);
        }
    }

    #[test]
    fn values_read_well() {
        for (value, quantity, text) in [
            (12.4499, Quantity::VoltsDc, "12.45 V"),
            (0.087, Quantity::VoltsDc, "87.00 mV"),
            (-0.5, Quantity::AmpsDc, "-0.500 A"),
            (0.0, Quantity::VoltsDc, "0.000 V"),
            (-1e-11, Quantity::VoltsDc, "0.000 µV"),
            (1250.0, Quantity::Ohms, "1.250 kohm"),
            (7.52, Quantity::Ohms, "7.520 ohm"),
            (23.0, Quantity::Temperature, "23.00 °C"),
            (47e-9, Quantity::Capacitance, "47.00 nF"),
            (50.0, Quantity::Duty, "50.00 %"),
            (1500.0, Quantity::ShaftSpeed, "1500 rpm"),
        ] {
            assert_eq!(show(value, quantity), text);
        }
    }

    #[test]
    fn a_display_gives_the_digits() {
        for (value, digit, quantity, text) in [
            (7.6, 0.01, Quantity::Ohms, "7.60 ohm"),
            (0.001, 0.001, Quantity::VoltsDc, "0.001 V"),
            (-0.0004, 0.001, Quantity::AmpsDc, "0.000 A"),
            (0.0512, 1e-4, Quantity::VoltsDc, "51.2 mV"),
            (12.345_678, 1e-6, Quantity::VoltsDc, "12.345678 V"),
            (12_340.0, 10.0, Quantity::Ohms, "12.34 kohm"),
            (4702.0, 1.0, Quantity::Ohms, "4702 ohm"),
            (5e6, 1e4, Quantity::Ohms, "5.00 Mohm"),
            (48.1173, 1e-5, Quantity::Angle, "48.11730 deg"),
            (2.5, 0.5, Quantity::AmpsDc, "2.5 A"),
            (12.0, 1.0, Quantity::Number, "12"),
        ] {
            assert_eq!(ValueFormat::new(quantity, Some(digit), None).show(value), text);
        }
        assert_eq!(show(7.6, Quantity::Ohms), "7.600 ohm");
    }

    #[test]
    fn a_value_has_the_prefix_of_its_limit() {
        let limit = |low, high, quantity: Quantity| Limit { low, high, dimension: quantity.dimension() };
        let drop = limit(None, Some(0.1), Quantity::VoltsDc);
        let feed = limit(Some(11.8), None, Quantity::VoltsDc);
        let coil = limit(Some(6900.0), Some(8100.0), Quantity::Ohms);
        for (value, digit, limit, text) in [
            (0.341, Some(0.001), drop, "341 mV"),
            (0.0004, Some(0.0001), drop, "0.4 mV"),
            (-0.0004, Some(0.001), drop, "0 mV"),
            // The digit that 120 mV would show was not shown.
            (0.12, Some(0.01), drop, "0.12 V"),
            (0.087, None, drop, "87.00 mV"),
            (12.61, Some(0.001), drop, "12.610 V"),
            (0.0512, Some(0.0001), feed, "0.0512 V"),
            (0.0512, None, feed, "0.051 V"),
            (12.6, Some(0.01), feed, "12.60 V"),
        ] {
            assert_eq!(ValueFormat::new(Quantity::VoltsDc, digit, Some(&limit)).show(value), text);
        }
        assert_eq!(ValueFormat::new(Quantity::Ohms, Some(1.0), Some(&coil)).show(512.0), "0.512 kohm");
        // A meter on another function.
        assert_eq!(ValueFormat::new(Quantity::Ohms, Some(0.1), Some(&drop)).show(7.6), "7.6 ohm");
    }

    #[test]
    fn limits_have_the_digits_that_they_were_given() {
        for (low, high, quantity, text) in [
            (Some(11.8), None, Quantity::VoltsDc, "at least 11.8 V"),
            (None, Some(0.1), Quantity::VoltsDc, "at most 100 mV"),
            (None, Some(0.3), Quantity::VoltsDc, "at most 300 mV"),
            (Some(0.5), None, Quantity::AmpsDc, "at least 0.5 A"),
            (Some(0.2), Some(1.5), Quantity::VoltsDc, "0.2 V to 1.5 V"),
            (Some(-0.1), Some(0.1), Quantity::VoltsDc, "-100 mV to 100 mV"),
            (Some(0.0), Some(0.1), Quantity::VoltsDc, "0 mV to 100 mV"),
            (Some(0.002), Some(1.5), Quantity::VoltsDc, "0.002 V to 1.5 V"),
            (Some(6.9), Some(8.1), Quantity::Ohms, "6.9 ohm to 8.1 ohm"),
            (Some(1e6), None, Quantity::Ohms, "at least 1 Mohm"),
            (Some(700.0), Some(1000.0), Quantity::ShaftSpeed, "700 rpm to 1000 rpm"),
            (None, Some(0.000_15), Quantity::VoltsDc, "at most 150 µV"),
            (None, Some(0.0), Quantity::VoltsDc, "at most 0 V"),
        ] {
            assert_eq!(show_limit(&Limit { low, high, dimension: quantity.dimension() }), text);
        }
    }

    #[test]
    fn uncertainty_gives_the_digits_where_the_last_one_is_not_known() {
        for (value, half_width, quantity, text) in [
            (12.6127, 0.1742, Quantity::VoltsDc, "12.61 V ± 0.17 V"),
            (7.59, 0.1278, Quantity::Ohms, "7.59 ohm ± 0.13 ohm"),
            (0.087, 0.0031, Quantity::VoltsDc, "87.0 mV ± 3.1 mV"),
            (1.626, 0.0, Quantity::AmpsDc, "1.626 A"),
            (1234.0, 25.0, Quantity::Ohms, "1.234 kohm ± 0.025 kohm"),
        ] {
            assert_eq!(show_with(value, half_width, quantity), text);
        }
    }

    #[test]
    fn uncertainty_is_never_finer_than_the_last_digit() {
        for (value, half_width, digit, quantity, text) in [
            (12.613, 0.1742, 0.001, Quantity::VoltsDc, "12.613 V ± 0.17 V"),
            // Of the display's step alone, 2 × 0.01 ohm / √12 (JCGM 100:2008, F.2.2.1): rounded up.
            (7.6, 0.005_774, 0.01, Quantity::Ohms, "7.60 ohm ± 0.01 ohm"),
            (7.6, 0.0101, 0.01, Quantity::Ohms, "7.60 ohm ± 0.02 ohm"),
            (4702.0, 25.0, 1.0, Quantity::Ohms, "4702 ohm ± 25 ohm"),
            (12_340.0, 250.0, 10.0, Quantity::Ohms, "12.34 kohm ± 0.25 kohm"),
        ] {
            assert_eq!(ValueFormat::new(quantity, Some(digit), None).show_with(value, half_width), text);
        }
    }

    #[test]
    fn times_read_well() {
        assert_eq!(show_seconds(3.21), "3.2 s");
        assert_eq!(show_seconds(247.0), "4 min 07 s");
        assert_eq!(show_seconds(3720.0), "1 h 02 min");
    }
}
