//! Bytes become readings: framing, decoding and the protocol files that describe both.
//!
//! A protocol is data. Everything here interprets what a file in `protocols/` says; nothing knows
//! a meter by name, a channel, a step or a clock. Bad bytes are data too: they are counted and
//! told as problems, never errors.

mod definition;
mod library;

mod poll;
mod serial;

mod engine;

mod frame;

mod checksum;

mod counters;
mod decode;
mod names;
mod number;

mod examples;
mod identify;
mod meter_errors;
mod meter_identity;
mod problem;

#[cfg(test)]
mod tests;

pub use definition::{Example, Protocol};
pub(crate) use definition::{HidTable, Piece, Traffic};
pub(crate) use engine::Frame;
pub use engine::{Counts, Decoded, Engine};
pub(crate) use examples::{check, draft};
pub(crate) use identify::{ProtocolMatch, RecordedChunk, rank};
pub use library::Library;
pub(crate) use library::LibraryError;
pub(crate) use meter_identity::MeterIdentities;
pub use poll::RequestId;
pub(crate) use poll::{PollAction, Poller};
pub(crate) use problem::Problem;

use crate::units::{Dimension, Quantity};

/// One value as the meter reported it, before any clamp, zero or accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Which named value of the frame this is: an index into the names that the engine has met.
    pub name: u16,
    /// What the meter is switched to, as far as the frame tells.
    pub function: Function,
    /// The value in base units, or that it was beyond the range.
    pub value: Value,
    /// The last digit shown is worth 10^place base units, where the frame tells it: −2 for `12.45 V`.
    pub place: Option<i8>,
    /// What the display shows beside the value.
    pub annunciators: Annunciators,
}

/// A number or the word for too much; a reading never holds NaN or infinity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A finite number.
    Number(f64),
    /// Beyond the range upwards (`OL`): an open circuit for ohms.
    Over,
    /// Beyond the range downwards (`-OL`).
    Under,
}

/// What the operator asks for with a button or foot switch on the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Action {
    /// Go on to the next step.
    Next,
    /// Take this reading.
    Take,
    /// Do the step again.
    Again,
    /// Mark this moment.
    Mark,
}

impl Action {
    /// As protocol files write it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Next => "next",
            Self::Take => "take",
            Self::Again => "again",
            Self::Mark => "mark",
        }
    }
}

/// What a frame tells of the meter's function.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Function {
    /// A bare number.
    #[default]
    Unknown,
    /// A unit alone: `V` without AC or DC.
    Unit(Dimension),
    /// All of it.
    Exact(Quantity),
}

bitflags::bitflags! {
    /// What a meter's display shows beside the value. The bits are stored in the database: never renumber.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
    pub struct Annunciators: u16 {
        /// The display is held: the value is old.
        const HOLD = 1;
        /// The value is relative to a stored one.
        const RELATIVE = 1 << 1;
        /// A stored minimum is shown.
        const MINIMUM = 1 << 2;
        /// A stored maximum is shown.
        const MAXIMUM = 1 << 3;
        /// The battery is low: readings are not to be trusted.
        const LOW_BATTERY = 1 << 4;
        /// The range is chosen by the meter.
        const AUTO = 1 << 5;
        /// A stored mean is shown.
        const MEAN = 1 << 6;
        /// A stored peak is shown.
        const PEAK = 1 << 7;
    }
}
