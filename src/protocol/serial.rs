//! How a protocol's serial line is set, as plain data: some meters are silent or garbled otherwise,
//! and some cables take their power from a control line.

use serde::Deserialize;

/// Settings of a serial line that a protocol asks for. What it leaves open is up to the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SerialSettings {
    /// Bits a second.
    pub baud: Option<u32>,
    /// Bits of a character.
    #[serde(default)]
    pub data_bits: DataBits,
    /// Check bit of a character.
    #[serde(default)]
    pub parity: Parity,
    /// Bits behind a character.
    #[serde(default)]
    pub stop_bits: StopBits,
    /// Level of "data terminal ready" while the port is open.
    pub dtr: Option<Level>,
    /// Level of "request to send" while the port is open.
    pub rts: Option<Level>,
}

/// Bits of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(try_from = "u8")]
pub enum DataBits {
    /// 7: text only.
    Seven,
    /// 8
    #[default]
    Eight,
}

impl TryFrom<u8> for DataBits {
    type Error = String;

    fn try_from(bits: u8) -> Result<Self, String> {
        match bits {
            7 => Ok(Self::Seven),
            8 => Ok(Self::Eight),
            _ => Err(format!("found {bits} data bits, expected 7 or 8")),
        }
    }
}

/// Check bit of a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// There is none.
    #[default]
    None,
    /// Makes the count of ones even.
    Even,
    /// Makes the count of ones odd.
    Odd,
}

/// Bits behind a character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(try_from = "u8")]
pub enum StopBits {
    /// 1
    #[default]
    One,
    /// 2
    Two,
}

impl TryFrom<u8> for StopBits {
    type Error = String;

    fn try_from(bits: u8) -> Result<Self, String> {
        match bits {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            _ => Err(format!("found {bits} stop bits, expected 1 or 2")),
        }
    }
}

/// Level of a control line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Asserted: a positive voltage on RS-232.
    On,
    /// Not asserted.
    Off,
}
