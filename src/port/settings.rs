//! How a line is set, in the words of a bench file. It knows no device.

use std::fmt;

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};

use super::HidCable;
use crate::{units::WholeNumber, words::words};

/// How a serial line is set, and what a HID cable wants. Where the port is neither, it is not looked at.
/// Of a HID cable's line the data bits count; its speed is set by what the cable is greeted with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Bits a second.
    pub baud: u32,
    /// Bits in a character.
    pub data_bits: DataBits,
    /// The bit that makes up the number of ones.
    pub parity: Parity,
    /// Bits of rest after a character.
    pub stop_bits: StopBits,
    /// How one side asks the other to wait.
    pub flow: Flow,
    /// Data terminal ready; none leaves it as the system sets it. Some cables are powered by it.
    pub dtr: Option<Level>,
    /// Request to send; none leaves it as the system sets it. Some cables are powered by it.
    pub rts: Option<Level>,
    /// How reports carry bytes, for `hid:` ports.
    pub hid: Option<HidCable>,
}

impl Default for Settings {
    fn default() -> Self {
        // The speed and form that small boards and many meters start with: common practice, no source.
        Self {
            baud: 9600,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            flow: Flow::None,
            dtr: None,
            rts: None,
            hid: None,
        }
    }
}

/// The line's speed and form as the trade writes them: `9600 8N1`.
impl fmt::Display for Settings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{} {}{parity}{}", self.baud, self.data_bits.count(), self.stop_bits.count())
    }
}

/// Bits a second that a serial line may be set to.
pub(crate) type Baud = WholeNumber<50, 20_000_000>;

/// Bits in a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
#[allow(missing_docs, reason = "the names say it")]
pub enum DataBits {
    Five,
    Six,
    Seven,
    Eight,
}

impl DataBits {
    /// The bits of a byte that can be set.
    pub fn mask(self) -> u8 {
        u8::MAX >> (8 - self.count())
    }

    /// How many.
    pub fn count(self) -> u8 {
        match self {
            Self::Five => 5,
            Self::Six => 6,
            Self::Seven => 7,
            Self::Eight => 8,
        }
    }
}

impl TryFrom<i64> for DataBits {
    type Error = SettingError;

    fn try_from(count: i64) -> Result<Self, SettingError> {
        Ok(match count {
            5 => Self::Five,
            6 => Self::Six,
            7 => Self::Seven,
            8 => Self::Eight,
            found => return Err(SettingError { found, expected: "5, 6, 7 or 8" }),
        })
    }
}

/// Bits of rest after a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
#[allow(missing_docs, reason = "the names say it")]
pub enum StopBits {
    One,
    Two,
}

impl StopBits {
    /// How many.
    pub fn count(self) -> u8 {
        match self {
            Self::One => 1,
            Self::Two => 2,
        }
    }
}

impl TryFrom<i64> for StopBits {
    type Error = SettingError;

    fn try_from(count: i64) -> Result<Self, SettingError> {
        Ok(match count {
            1 => Self::One,
            2 => Self::Two,
            found => return Err(SettingError { found, expected: "1 or 2" }),
        })
    }
}

/// A number that a setting does not have.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found {found}, expected {expected}")]
pub struct SettingError {
    /// What was written.
    pub found: i64,
    /// The numbers that there are.
    pub expected: &'static str,
}

/// The bit that makes up the number of ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum Parity {
    /// No such bit.
    #[strum(serialize = "none")]
    None,
    /// To an even number.
    #[strum(serialize = "even")]
    Even,
    /// To an odd number.
    #[strum(serialize = "odd")]
    Odd,
}

/// How one side asks the other to wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum Flow {
    /// It does not.
    #[strum(serialize = "none")]
    None,
    /// By the lines RTS and CTS.
    #[strum(serialize = "rts/cts", serialize = "lines")]
    Lines,
    /// By the characters XON and XOFF, which can then not be data.
    #[strum(serialize = "xon/xoff", serialize = "characters")]
    Characters,
}

/// What a line is held at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum Level {
    /// Asserted: the positive voltage of an RS-232 control line.
    #[strum(serialize = "on")]
    On,
    /// Not asserted.
    #[strum(serialize = "off")]
    Off,
}

words!(Parity, Flow, Level);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_is_written_as_the_trade_does() {
        assert_eq!(Settings::default().to_string(), "9600 8N1");
        let odd = Settings {
            baud: 2400,
            data_bits: DataBits::Seven,
            parity: Parity::Odd,
            stop_bits: StopBits::Two,
            ..Settings::default()
        };
        assert_eq!(odd.to_string(), "2400 7O2");
    }

    #[test]
    fn an_unknown_word_is_reported_with_those_there_are() {
        assert_eq!("rts/cts".parse(), Ok(Flow::Lines));
        let error = "mark".parse::<Parity>().unwrap_err();
        assert_eq!(error.to_string(), "found \"mark\", expected \"none\", \"even\" or \"odd\"");
        assert!("high".parse::<Level>().is_err());
        assert_eq!("characters".parse(), Ok(Flow::Characters));
        assert_eq!(DataBits::try_from(9).unwrap_err().to_string(), "found 9, expected 5, 6, 7 or 8");
        assert!(StopBits::try_from(0).is_err());
        assert_eq!((DataBits::Eight.mask(), DataBits::Seven.mask(), DataBits::Five.mask()), (0xff, 0x7f, 0x1f));
    }
}
