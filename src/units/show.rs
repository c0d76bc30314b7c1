//! Values as a person reads them: few digits, the usual prefix, always the unit.

use super::{Dimension, Quantity};

/// `12.45 V`, `87.0 mV`, `1.250 kohm`: four significant digits and a prefix where that is usual.
pub(crate) fn show(value: f64, quantity: Quantity) -> String {
    show_in(value, quantity.dimension())
}

/// A value whose last digit is worth `digit` base units, with as many digits as were shown: `7.60 ohm`, `0.001 V`. The prefix follows
/// the digit, so that a value which goes up and down keeps its unit.
pub(crate) fn show_digits(value: f64, digit: Option<f64>, quantity: Quantity) -> String {
    let Some(digit) = digit.filter(|digit| digit.is_finite() && *digit > 0.0) else { return show(value, quantity) };
    let dimension = quantity.dimension();
    // Hairs beside a power of ten, as of a clamp's scale.
    let place = (digit.log10() + 1e-9).floor() as i32;
    let (name, factor, shift) = match place {
        _ if !dimension.takes_prefix() => ("", 1.0, 0),
        ..=-4 => {
            let (name, factor) = prefix(value, dimension);
            (name, factor, factor.log10().round() as i32)
        }
        -3..=0 => ("", 1.0, 0),
        1..=3 => ("k", 1e3, 3),
        _ if dimension.takes_mega() => ("M", 1e6, 6),
        _ => ("k", 1e3, 3),
    };
    let decimals = usize::try_from(shift - place).unwrap_or(0).min(12);
    let number = without_sign_of_nothing(format!("{:.decimals$}", value / factor));
    match dimension {
        Dimension::Plain => number,
        _ => format!("{number} {name}{}", dimension.unit()),
    }
}

/// As [`show`], for a dimension.
pub(crate) fn show_in(value: f64, dimension: Dimension) -> String {
    let (prefix, factor) = prefix(value, dimension);
    match dimension {
        Dimension::Plain => digits(value),
        _ => format!("{} {prefix}{}", digits(value / factor), dimension.unit()),
    }
}

/// `12.61 V ± 0.17 V`: the half-width to two significant digits and the value to the same place,
/// both with the value's prefix (JCGM 100:2008, 7.2.6, from memory).
pub(crate) fn show_with(value: f64, half_width: f64, quantity: Quantity) -> String {
    let dimension = quantity.dimension();
    let (prefix, factor) = prefix(value, dimension);
    let (value, half_width) = (value / factor, half_width.abs() / factor);
    if half_width == 0.0 {
        return show(value * factor, quantity);
    }
    // 0.17 has its second digit at 10^-2.
    let place = half_width.log10().floor() as i32 - 1;
    let decimals = usize::try_from(-place).unwrap_or(0).min(6);
    let unit = match dimension {
        Dimension::Plain => String::new(),
        _ => format!(" {prefix}{}", dimension.unit()),
    };
    format!("{value:.decimals$}{unit} ± {half_width:.decimals$}{unit}")
}

/// The usual prefix for a value, and what one of the prefixed unit is worth.
fn prefix(value: f64, dimension: Dimension) -> (&'static str, f64) {
    if !dimension.takes_prefix() {
        return ("", 1.0);
    }
    // Half a volt, half an amp and half an ohm are read as such at the bench.
    let bench = matches!(dimension, Dimension::Volt | Dimension::Ampere | Dimension::Ohm);
    match value.abs() {
        0.0 => ("", 1.0),
        size if size < 1e-9 && dimension == Dimension::Farad => ("p", 1e-12),
        size if size < 1e-6 && dimension == Dimension::Farad => ("n", 1e-9),
        // Below a microunit of anything else measured here there is only noise.
        size if size < 1e-3 => ("u", 1e-6),
        size if bench && (0.2..1.0).contains(&size) => ("", 1.0),
        size if size < 0.999_95 => ("m", 1e-3),
        size if size < 999.95 || dimension == Dimension::Second => ("", 1.0),
        size if size < 999_950.0 => ("k", 1e3),
        _ => ("M", 1e6),
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

/// A value that rounds to nothing has no sign.
fn without_sign_of_nothing(text: String) -> String {
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) { text.trim_start_matches('-').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_read_well() {
        for (value, quantity, text) in [
            (12.4499, Quantity::VoltsDc, "12.45 V"),
            (0.087, Quantity::VoltsDc, "87.00 mV"),
            (-0.5, Quantity::AmpsDc, "-0.500 A"),
            (0.0, Quantity::VoltsDc, "0.000 V"),
            (-1e-11, Quantity::VoltsDc, "0.000 uV"),
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
            assert_eq!(show_digits(value, Some(digit), quantity), text);
        }
        assert_eq!(show_digits(7.6, None, Quantity::Ohms), "7.600 ohm");
    }

    #[test]
    fn uncertainty_gives_the_digits() {
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
    fn times_read_well() {
        assert_eq!(show_seconds(3.21), "3.2 s");
        assert_eq!(show_seconds(247.0), "4 min 07 s");
        assert_eq!(show_seconds(3720.0), "1 h 02 min");
    }
}
