//! Readings become samples: function match, clamp scale, accuracy, time.
//!
//! A channel is a named place in the circuit. The bench file says which reading of which meter it takes, and how.
//! Nothing here knows a step or a limit.
//!
//! Read `conversion.rs` first (one reading becomes one sample), then `meter.rs` (the bytes of one meter become samples) with
//! `device_clock.rs`, and `derived.rs`
//! (a channel that is worked out from two others); then `bench.rs` (what is connected), `bench_file.rs` (how it is written) and `accuracy.rs`.

mod conversion;

mod derived;
mod device_clock;
mod instruments;
mod meter;

mod accuracy;
mod bench;
mod bench_file;
mod derived_file;

pub use bench::Bench;
pub(crate) use bench::{BenchError, ChannelSpec, MeterOrigin, MeterSpec, QuickMeter};
pub use bench_file::BENCH_SCHEMA;
pub(crate) use conversion::{Binding, Conversion};
pub(crate) use derived::DerivedChannel;
pub use derived::{DerivedSpec, Operation};
pub(crate) use device_clock::{ClockFit, DeviceClock};
pub(crate) use instruments::{InstrumentRecord, instrument_records};
pub(crate) use meter::default_channel_name;
pub use meter::{Batch, ChannelIds, Meter, MeterEvent};

use crate::{
    clock::Mono,
    protocol::{Annunciators, Value},
    units::{AsWritten, Limit, Measure, Quantity, ValueFormat},
};

/// Which channel of the bench, counted from 0 in the order in which they were met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ChannelId(pub u16);

/// Which meter of the bench, counted from 0 in the order of the bench file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct MeterId(pub u16);

/// What is known of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// The name by which steps ask for it; unique on the bench.
    pub name: String,
    /// The meter that it belongs to.
    pub meter: MeterId,
    /// That meter's name.
    pub meter_name: String,
    /// Which value of the frame it is.
    pub reads: String,
    /// How its readings become samples.
    pub conversion: Conversion,
    /// How far it reaches, either sign, base units in circuit terms; none where the bench does not say.
    pub range: Option<Measure>,
    /// The fuse of the meter's amps jack; none where the bench does not say.
    pub fuse: Option<AsWritten<Measure>>,
}

impl Channel {
    /// Whether its meter may have a jack for amps: a meter that the operator switches, or one with a fuse. A clamp leaves
    /// the leads where they are, and a board has no jacks.
    pub(crate) fn has_jacks(&self) -> bool {
        self.conversion.scale.is_none() && (self.fuse.is_some() || self.conversion.quantity.is_none())
    }
}

/// One channel's value in circuit terms at one time: what is judged and stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// When it was measured, as well as is known.
    pub at: Mono,
    /// Where in the circuit.
    pub channel: ChannelId,
    /// What was measured. It is the meter's own function where that does not fit the channel.
    pub quantity: Quantity,
    /// The value in base units of the quantity.
    pub value: Value,
    /// Standard uncertainty from the channel's accuracy, base units; none where nothing is known of it.
    pub u: Option<f64>,
    /// The last digit that the meter showed was worth 10^decade of the meter's base unit.
    pub decade: Option<i8>,
    /// What that digit is worth in circuit terms, base units of the quantity.
    pub digit: Option<f64>,
    /// What the display showed beside the value.
    pub annunciators: Annunciators,
}

impl Sample {
    /// How its values are written: to the last digit that the meter showed, with the prefix of the limit that they are held against.
    pub(crate) fn format(&self, limit: Option<&Limit>) -> ValueFormat {
        ValueFormat::new(self.quantity, self.digit, limit)
    }

    /// The value as a person reads it, written as `format` says.
    pub(crate) fn shown(&self, limit: Option<&Limit>) -> String {
        self.value.shown(self.format(limit))
    }
}
