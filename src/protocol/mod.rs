//! Bytes become readings: framing, decoding and the protocol files that describe both.
//!
//! A protocol is data. Everything here interprets a file of `protocols/`; nothing knows
//! a meter by name, a channel, a step or a clock. Bad bytes are data too: they are counted and
//! reported as problems, never errors.
//!
//! Reading order: `definition` (a file and its parts), `frame` (bytes to frames), `checksum`, `decode` (frames to
//! readings), `engine` (all of them for one port), `poller`, `examples` (proof of a file), `identify`. The rest are their
//! parts: `tables` and `values` read files, `number`, `names` and `counters` are used by decoders, `problem` is what went wrong.

mod definition;
mod library;

mod tables;
mod values;

mod poll;
mod poller;
mod serial;

mod decoded;
mod engine;

mod frame;

mod checksum;

mod counters;
mod decode;
mod evidence;
mod line_shape;
mod meter_errors;
mod meter_identity;
mod names;
mod number;
mod problem;

mod examples;
mod identify;
mod value;

#[cfg(test)]
mod tests;

pub use decoded::Decoded;
pub(crate) use decoded::Frame;
pub use definition::{Example, Protocol};
pub(crate) use definition::{HidTable, Piece, Traffic};
pub use engine::{Counts, Engine};
pub(crate) use examples::{check, draft};
pub(crate) use identify::{ProtocolMatch, RecordedChunk, rank, too_few};
pub use library::Library;
pub(crate) use library::LibraryError;
pub(crate) use meter_identity::MeterIdentities;
pub use poll::RequestId;
pub(crate) use poller::{PollAction, Poller};
pub(crate) use problem::{Problem, escape};

use strum::{EnumMessage, VariantArray};

use crate::{
    units::{Dimension, Quantity, ValueFormat},
    words::words,
};

/// One value as the meter reported it, before any clamp, zero or accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Which named value of the frame this is: an index into [`Engine::names`].
    pub name: u16,
    /// What the meter is switched to, as far as the frame gives it.
    pub function: Function,
    /// The value in base units, or that it was beyond the range.
    pub value: Value,
    /// The last digit shown is worth 10^place base units, where the frame gives it: −2 for `12.45 V`.
    pub decade: Option<i8>,
    /// What the display shows beside the value.
    pub annunciators: Annunciators,
}

/// A number or an overload; a reading never holds NaN or infinity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A finite number.
    Number(f64),
    /// Beyond the range upwards (`OL`): an open circuit for ohms.
    Over,
    /// Beyond the range downwards (`-OL`).
    Under,
}

impl Value {
    /// As a person reads it; `OL` beyond the range, as displays show it.
    pub(crate) fn shown(self, format: ValueFormat) -> String {
        match self {
            Self::Number(value) => format.show(value),
            Self::Over => "OL".to_owned(),
            Self::Under => "-OL".to_owned(),
        }
    }
}

/// What the operator asks for with a button or foot switch on the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum Action {
    /// Go on to the next step.
    #[strum(serialize = "next")]
    Next,
    /// Take this reading.
    #[strum(serialize = "take")]
    Take,
    /// Do the step again.
    #[strum(serialize = "again")]
    Again,
    /// Mark this moment.
    #[strum(serialize = "mark")]
    Mark,
    /// Answer a question with yes.
    #[strum(serialize = "yes")]
    Yes,
    /// Answer a question with no.
    #[strum(serialize = "no")]
    No,
}
words!(Action);

/// The meter's function, as far as a frame gives it.
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

impl Function {
    /// The dimension of its unit, where it is known.
    pub(crate) fn dimension(self) -> Option<Dimension> {
        match self {
            Self::Unknown => None,
            Self::Unit(dimension) => Some(dimension),
            Self::Exact(quantity) => Some(quantity.dimension()),
        }
    }
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

impl Annunciators {
    /// The word of each, in protocol files and in their examples.
    pub(crate) const WORDS: [(&'static str, Self); 8] = [
        ("hold", Self::HOLD),
        ("relative", Self::RELATIVE),
        ("minimum", Self::MINIMUM),
        ("maximum", Self::MAXIMUM),
        ("low battery", Self::LOW_BATTERY),
        ("auto", Self::AUTO),
        ("mean", Self::MEAN),
        ("peak", Self::PEAK),
    ];

    /// The one of this word.
    pub(crate) fn from_word(word: &str) -> Option<Self> {
        Self::WORDS.iter().find(|(known, _)| *known == word).map(|(_, annunciator)| *annunciator)
    }

    /// The words of those that are set.
    pub(crate) fn words(self) -> impl Iterator<Item = &'static str> {
        Self::WORDS.into_iter().filter(move |(_, annunciator)| self.contains(*annunciator)).map(|(word, _)| word)
    }
}
