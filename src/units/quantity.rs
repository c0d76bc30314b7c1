//! The functions of a meter, in the words printed beside its switch.

use std::{fmt, str::FromStr};

use super::{Dimension, UnitError};

/// What a meter is switched to, or what a channel shows in circuit terms.
///
/// Two quantities may share a dimension (V DC and V AC) and are still never judged as each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// DC voltage, volt.
    VoltsDc,
    /// AC voltage, volt (RMS or average responding, as the meter does).
    VoltsAc,
    /// DC current, ampere.
    AmpsDc,
    /// AC current, ampere.
    AmpsAc,
    /// Resistance, ohm.
    Ohms,
    /// Continuity test, ohm.
    Continuity,
    /// Diode test, volt.
    Diode,
    /// Frequency, hertz.
    Frequency,
    /// Duty cycle, percent.
    Duty,
    /// Capacitance, farad.
    Capacitance,
    /// Temperature, degree Celsius.
    Temperature,
    /// Power, watt.
    Power,
    /// Time, second.
    Time,
    /// Pressure, pascal.
    Pressure,
    /// Road speed, km/h.
    Speed,
    /// Shaft speed, 1/min.
    ShaftSpeed,
    /// An angle, or a place on Earth, degree.
    Angle,
    /// A share, percent.
    Share,
    /// A bare number.
    Number,
}

/// Every quantity, how it is written, and its dimension: the one list.
const WORDS: &[(Quantity, &str, Dimension)] = &[
    (Quantity::VoltsDc, "V DC", Dimension::Volt),
    (Quantity::VoltsAc, "V AC", Dimension::Volt),
    (Quantity::AmpsDc, "A DC", Dimension::Ampere),
    (Quantity::AmpsAc, "A AC", Dimension::Ampere),
    (Quantity::Ohms, "ohm", Dimension::Ohm),
    (Quantity::Continuity, "continuity", Dimension::Ohm),
    (Quantity::Diode, "diode", Dimension::Volt),
    (Quantity::Frequency, "Hz", Dimension::Hertz),
    (Quantity::Duty, "% duty", Dimension::Percent),
    (Quantity::Capacitance, "F", Dimension::Farad),
    (Quantity::Temperature, "°C", Dimension::Celsius),
    (Quantity::Power, "W", Dimension::Watt),
    (Quantity::Time, "s", Dimension::Second),
    (Quantity::Pressure, "Pa", Dimension::Pascal),
    (Quantity::Speed, "km/h", Dimension::KilometrePerHour),
    (Quantity::ShaftSpeed, "1/min", Dimension::PerMinute),
    (Quantity::Angle, "deg", Dimension::Degree),
    (Quantity::Share, "%", Dimension::Percent),
    (Quantity::Number, "1", Dimension::Plain),
];

const EXPECTED: &str = "one of \"V DC\", \"V AC\", \"A DC\", \"A AC\", \"ohm\", \"continuity\", \"diode\", \"Hz\", \
                        \"% duty\", \"F\", \"°C\", \"W\", \"s\", \"Pa\", \"km/h\", \"1/min\", \"deg\", \"%\", \"1\"";

impl Quantity {
    /// How it is written in files, on screens and in the database.
    pub fn word(self) -> &'static str {
        self.row().1
    }

    /// Its dimension, and with it the base unit of its values.
    pub fn dimension(self) -> Dimension {
        self.row().2
    }

    /// The base unit of its values, as shown and stored.
    pub fn unit(self) -> &'static str {
        self.dimension().unit()
    }

    /// The quantity that a bare unit on a meter most often means: `V` is V DC.
    pub fn of(dimension: Dimension) -> Self {
        WORDS.iter().find(|row| row.2 == dimension).expect("every dimension has a quantity").0
    }

    fn row(self) -> &'static (Self, &'static str, Dimension) {
        &WORDS[self as usize]
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Quantity {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let other_names = match flat.to_ascii_lowercase().as_str() {
            "vdc" | "dcv" | "dc v" | "volts dc" => Some(Self::VoltsDc),
            "vac" | "acv" | "ac v" | "volts ac" => Some(Self::VoltsAc),
            "adc" | "dca" | "dc a" | "amps dc" => Some(Self::AmpsDc),
            "aac" | "aca" | "ac a" | "amps ac" => Some(Self::AmpsAc),
            "ohms" | "Ω" | "\u{2126}" | "ω" => Some(Self::Ohms),
            "degc" | "c" => Some(Self::Temperature),
            "rpm" => Some(Self::ShaftSpeed),
            _ => None,
        };
        WORDS
            .iter()
            .find(|row| row.1.eq_ignore_ascii_case(&flat))
            .map(|row| row.0)
            .or(other_names)
            .ok_or(UnitError::Form { found: text.to_owned(), expected: EXPECTED })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_word_is_read_back_and_stands_in_its_own_row() {
        for (index, &(quantity, word, _)) in WORDS.iter().enumerate() {
            assert_eq!(quantity as usize, index);
            assert_eq!(word.parse(), Ok(quantity));
            assert!(EXPECTED.contains(&format!("\"{word}\"")), "{word} is told to a person who mistypes");
        }
    }

    #[test]
    fn usual_other_spellings() {
        for (text, quantity) in [("Vdc", Quantity::VoltsDc), ("a  dc", Quantity::AmpsDc), ("Ω", Quantity::Ohms)] {
            assert_eq!(text.parse(), Ok(quantity), "{text}");
        }
        assert!("volt".parse::<Quantity>().is_err());
    }
}
