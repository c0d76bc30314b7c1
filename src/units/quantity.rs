//! The functions of a meter, in the words printed beside its switch.

use std::fmt;

use strum::{EnumMessage, VariantArray};

use super::Dimension;
use crate::words::words;

/// What a meter is switched to, or what a channel shows in circuit terms.
///
/// Two quantities may share a dimension (V DC and V AC) and are still never judged as each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum Quantity {
    /// DC voltage, volt.
    #[strum(serialize = "V DC", serialize = "VDC", serialize = "DCV", serialize = "DC V", serialize = "volts DC")]
    VoltsDc,
    /// AC voltage, volt (RMS or average responding, as the meter does).
    #[strum(serialize = "V AC", serialize = "VAC", serialize = "ACV", serialize = "AC V", serialize = "volts AC")]
    VoltsAc,
    /// DC current, ampere.
    #[strum(serialize = "A DC", serialize = "ADC", serialize = "DCA", serialize = "DC A", serialize = "amps DC")]
    AmpsDc,
    /// AC current, ampere.
    #[strum(serialize = "A AC", serialize = "AAC", serialize = "ACA", serialize = "AC A", serialize = "amps AC")]
    AmpsAc,
    /// Resistance, ohm.
    #[strum(serialize = "ohm", serialize = "ohms", serialize = "Ω", serialize = "\u{2126}", serialize = "ω")]
    Ohms,
    /// Continuity test, ohm.
    #[strum(serialize = "continuity")]
    Continuity,
    /// Diode test, volt.
    #[strum(serialize = "diode")]
    Diode,
    /// Frequency, hertz.
    #[strum(serialize = "Hz")]
    Frequency,
    /// Duty cycle, percent.
    #[strum(serialize = "% duty")]
    Duty,
    /// Capacitance, farad.
    #[strum(serialize = "F")]
    Capacitance,
    /// Temperature, degree Celsius.
    #[strum(serialize = "°C", serialize = "degC", serialize = "C")]
    Temperature,
    /// Power, watt.
    #[strum(serialize = "W")]
    Power,
    /// Time, second.
    #[strum(serialize = "s")]
    Time,
    /// Pressure, pascal.
    #[strum(serialize = "Pa")]
    Pressure,
    /// Road speed, km/h.
    #[strum(serialize = "km/h")]
    Speed,
    /// Shaft speed, revolutions per minute.
    #[strum(serialize = "rpm", serialize = "1/min")]
    ShaftSpeed,
    /// An angle, or a place on Earth, degree.
    #[strum(serialize = "deg")]
    Angle,
    /// A share, percent.
    #[strum(serialize = "%")]
    Share,
    /// A bare number.
    #[strum(serialize = "1")]
    Number,
}

words!(pub Quantity);

impl Quantity {
    /// Its dimension, and with it the base unit of its values.
    pub fn dimension(self) -> Dimension {
        match self {
            Self::VoltsDc | Self::VoltsAc | Self::Diode => Dimension::Volt,
            Self::AmpsDc | Self::AmpsAc => Dimension::Ampere,
            Self::Ohms | Self::Continuity => Dimension::Ohm,
            Self::Frequency => Dimension::Hertz,
            Self::Duty | Self::Share => Dimension::Percent,
            Self::Capacitance => Dimension::Farad,
            Self::Temperature => Dimension::Celsius,
            Self::Power => Dimension::Watt,
            Self::Time => Dimension::Second,
            Self::Pressure => Dimension::Pascal,
            Self::Speed => Dimension::KilometrePerHour,
            Self::ShaftSpeed => Dimension::PerMinute,
            Self::Angle => Dimension::Degree,
            Self::Number => Dimension::Plain,
        }
    }

    /// The base unit of its values, as shown and stored.
    pub fn unit(self) -> &'static str {
        self.dimension().unit()
    }

    /// The quantity that a bare unit on a meter most often means: `V` is V DC. A bare `%` is a share: humidity, a charge, or a
    /// duty cycle.
    pub fn of(dimension: Dimension) -> Self {
        if dimension == Dimension::Percent {
            return Self::Share;
        }
        let first = Self::VARIANTS.iter().find(|quantity| quantity.dimension() == dimension);
        *first.expect("every dimension has a quantity")
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::EnumWord;

    #[test]
    fn each_word_is_read_back() {
        for quantity in Quantity::VARIANTS {
            for word in quantity.words() {
                assert_eq!(word.parse(), Ok(*quantity), "{word}");
            }
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
