//! Units and their prefixes. A dimension has one base unit, in which values are held.

use super::UnitError;

/// What a value measures, without regard to AC or DC or to how it was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Dimension {
    /// volt
    Volt,
    /// ampere
    Ampere,
    /// ohm
    Ohm,
    /// hertz
    Hertz,
    /// second
    Second,
    /// degree Celsius
    Celsius,
    /// percent
    Percent,
    /// watt
    Watt,
    /// farad
    Farad,
    /// pascal
    Pascal,
    /// kilometre per hour (the trade's unit; not SI)
    KilometrePerHour,
    /// revolutions per minute (the trade's unit; not SI)
    PerMinute,
    /// degree of arc
    Degree,
    /// a bare number, such as a converter's counts
    Plain,
}

impl Dimension {
    /// The base unit as shown and stored.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Ohm => "ohm",
            Self::Hertz => "Hz",
            Self::Second => "s",
            Self::Celsius => "°C",
            Self::Percent => "%",
            Self::Watt => "W",
            Self::Farad => "F",
            Self::Pascal => "Pa",
            Self::KilometrePerHour => "km/h",
            Self::PerMinute => "rpm",
            Self::Degree => "deg",
            Self::Plain => "1",
        }
    }

    /// Whether a million of the unit is possible: no meter here measures megavolts, and `MA` on a display is milliampere.
    pub(super) const fn takes_mega(self) -> bool {
        matches!(self, Self::Ohm | Self::Hertz | Self::Watt | Self::Pascal)
    }

    /// Whether people write milli, kilo and the like before the unit.
    pub const fn takes_prefix(self) -> bool {
        matches!(
            self,
            Self::Volt
                | Self::Ampere
                | Self::Ohm
                | Self::Hertz
                | Self::Second
                | Self::Watt
                | Self::Farad
                | Self::Pascal
        )
    }
}

/// A unit as written: its dimension and how many base units it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Unit {
    /// What it measures.
    pub dimension: Dimension,
    /// Base units in one of this unit: 0.001 for mV.
    pub factor: f64,
}

/// Names of units, longest meaning first where one is the start of another.
const NAMES: &[(&str, Dimension, f64)] = &[
    ("V", Dimension::Volt, 1.0),
    ("volt", Dimension::Volt, 1.0),
    ("volts", Dimension::Volt, 1.0),
    ("A", Dimension::Ampere, 1.0),
    ("amp", Dimension::Ampere, 1.0),
    ("amps", Dimension::Ampere, 1.0),
    ("ohm", Dimension::Ohm, 1.0),
    ("ohms", Dimension::Ohm, 1.0),
    ("Ohm", Dimension::Ohm, 1.0),
    ("Ohms", Dimension::Ohm, 1.0),
    ("OHM", Dimension::Ohm, 1.0),
    ("OHMS", Dimension::Ohm, 1.0),
    // U+03A9 Greek capital omega and U+2126 ohm sign are printed alike.
    ("Ω", Dimension::Ohm, 1.0),
    ("\u{2126}", Dimension::Ohm, 1.0),
    ("Hz", Dimension::Hertz, 1.0),
    ("HZ", Dimension::Hertz, 1.0),
    ("s", Dimension::Second, 1.0),
    ("S", Dimension::Second, 1.0),
    ("sec", Dimension::Second, 1.0),
    ("°C", Dimension::Celsius, 1.0),
    ("degC", Dimension::Celsius, 1.0),
    ("C", Dimension::Celsius, 1.0),
    ("%", Dimension::Percent, 1.0),
    ("W", Dimension::Watt, 1.0),
    ("F", Dimension::Farad, 1.0),
    ("Pa", Dimension::Pascal, 1.0),
    ("bar", Dimension::Pascal, 1e5),
    ("psi", Dimension::Pascal, 6_894.757_293_168),
    ("km/h", Dimension::KilometrePerHour, 1.0),
    ("mph", Dimension::KilometrePerHour, 1.609_344),
    // One international knot is 1.852 km/h exactly.
    ("kn", Dimension::KilometrePerHour, 1.852),
    ("rpm", Dimension::PerMinute, 1.0),
    ("1/min", Dimension::PerMinute, 1.0),
    ("/min", Dimension::PerMinute, 1.0),
    ("min", Dimension::Second, 60.0),
    ("h", Dimension::Second, 3600.0),
    ("deg", Dimension::Degree, 1.0),
    ("°", Dimension::Degree, 1.0),
    ("1", Dimension::Plain, 1.0),
    ("count", Dimension::Plain, 1.0),
    ("counts", Dimension::Plain, 1.0),
];

const PREFIXES: &[(&str, f64)] = &[
    ("p", 1e-12),
    ("n", 1e-9),
    ("u", 1e-6),
    // U+00B5 micro sign and U+03BC Greek small mu.
    ("\u{b5}", 1e-6),
    ("\u{3bc}", 1e-6),
    ("m", 1e-3),
    ("k", 1e3),
    ("K", 1e3),
    ("M", 1e6),
    ("G", 1e9),
];

impl Unit {
    /// Reads `mV`, `kohm`, `°C` … An exact name wins over a prefix and a name (`min` is a minute).
    pub(crate) fn parse(text: &str) -> Result<Self, UnitError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(UnitError::NoUnit);
        }
        Self::named(text).or_else(|| Self::prefixed(text)).ok_or_else(|| {
            // A capital M where only milli is possible.
            let milli =
                text.strip_prefix('M').map(|unit| format!("m{unit}")).filter(|milli| Self::prefixed(milli).is_some());
            match milli {
                Some(milli) => UnitError::Mega { found: text.to_owned(), milli },
                None => UnitError::UnknownUnit { found: text.to_owned() },
            }
        })
    }

    fn named(text: &str) -> Option<Self> {
        NAMES.iter().find(|(name, ..)| *name == text).map(|&(_, dimension, factor)| Self { dimension, factor })
    }

    fn prefixed(text: &str) -> Option<Self> {
        PREFIXES.iter().find_map(|(prefix, factor)| {
            let unit = Self::named(text.strip_prefix(prefix)?.trim_start())?;
            let is_possible = *factor < 1e6 || unit.dimension.takes_mega();
            (unit.dimension.takes_prefix() && unit.factor == 1.0 && is_possible)
                .then_some(Self { dimension: unit.dimension, factor: factor * unit.factor })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_read_as_written() {
        // SI prefixes: BIPM, The International System of Units, table 7 (from memory).
        for (text, dimension, factor) in [
            ("mV", Dimension::Volt, 1e-3),
            ("µA", Dimension::Ampere, 1e-6),
            ("kΩ", Dimension::Ohm, 1e3),
            ("Mohm", Dimension::Ohm, 1e6),
            ("ms", Dimension::Second, 1e-3),
            ("min", Dimension::Second, 60.0),
            ("°C", Dimension::Celsius, 1.0),
            ("km/h", Dimension::KilometrePerHour, 1.0),
            ("rpm", Dimension::PerMinute, 1.0),
            ("1/min", Dimension::PerMinute, 1.0),
            ("/min", Dimension::PerMinute, 1.0),
            ("kPa", Dimension::Pascal, 1e3),
            ("count", Dimension::Plain, 1.0),
        ] {
            assert_eq!(Unit::parse(text), Ok(Unit { dimension, factor }), "{text}");
        }
    }

    #[test]
    fn mega_is_taken_only_where_it_is_possible() {
        // `at_most = "100 MV"` was a limit of 100 million volts.
        for text in ["MV", "MA", "MF", "Ms", "GV"] {
            assert!(Unit::parse(text).is_err(), "{text}");
        }
        let mistake = Unit::parse("MV").unwrap_err().to_string();
        assert!(mistake.contains("\"MV\"") && mistake.contains("mV"), "{mistake}");
        assert_eq!(Unit::parse("MHz"), Ok(Unit { dimension: Dimension::Hertz, factor: 1e6 }));
    }

    #[test]
    fn nonsense_is_refused() {
        for text in ["", "Vx", "m°C", "mmV", "m"] {
            assert!(Unit::parse(text).is_err(), "{text}");
        }
    }
}
