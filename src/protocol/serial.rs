//! How a protocol's serial line is set: some meters are silent or garbled otherwise, and some
//! cables take their power from a control line.

use serde::{Deserialize, Deserializer};

use crate::port::{Baud, DataBits, Level, Parity, Settings, StopBits};

/// Settings of a serial line that a protocol asks for. What it leaves open is up to the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SerialSettings {
    /// Bits a second.
    #[serde(default, deserialize_with = "baud")]
    pub baud: Option<u32>,
    /// Bits of a character.
    pub data_bits: Option<DataBits>,
    /// Check bit of a character.
    pub parity: Option<Parity>,
    /// Bits behind a character.
    pub stop_bits: Option<StopBits>,
    /// Level of "data terminal ready" while the port is open.
    pub dtr: Option<Level>,
    /// Level of "request to send" while the port is open.
    pub rts: Option<Level>,
}

fn baud<'de, D: Deserializer<'de>>(from: D) -> Result<Option<u32>, D::Error> {
    Ok(Option::<Baud>::deserialize(from)?.map(|baud| baud.get() as u32))
}

impl SerialSettings {
    /// These settings, and the others as they are.
    pub fn over(&self, other: Settings) -> Settings {
        Settings {
            baud: self.baud.unwrap_or(other.baud),
            data_bits: self.data_bits.unwrap_or(other.data_bits),
            parity: self.parity.unwrap_or(other.parity),
            stop_bits: self.stop_bits.unwrap_or(other.stop_bits),
            dtr: self.dtr.or(other.dtr),
            rts: self.rts.or(other.rts),
            ..other
        }
    }
}
