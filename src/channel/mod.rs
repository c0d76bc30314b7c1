//! Readings become samples: function match, clamp scale, accuracy, time.
//!
//! A channel is a named place in the circuit; which meter feeds it, and how, stands in the bench
//! file. Nothing here knows a step or a limit. Start at [`Bench`] for what a person writes, at
//! [`Meter`] for what happens to bytes.

mod bench;
mod bind;
mod cable;
mod device_clock;
mod line;
mod meter;
mod sheet;

pub use bench::{BENCH_SCHEMA, Bench};
pub(crate) use bench::{BenchError, MeterSpec, QuickMeter};
pub(crate) use bind::{Binding, Feed};
pub(crate) use device_clock::{ClockFit, DeviceClock};
pub(crate) use meter::own_name;
pub use meter::{Batch, ChannelIds, Found, Meter};

use crate::{
    clock::Mono,
    protocol::{Annunciators, Value},
    units::{Measure, Quantity},
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
    /// The meter that feeds it.
    pub meter: MeterId,
    /// That meter's name.
    pub meter_name: String,
    /// Which value of the frame it is.
    pub reads: String,
    /// The clamp's scale as written; empty where there is none.
    pub scale: String,
    /// The accuracy as written, rows parted by semicolons; empty where none was given.
    pub accuracy: String,
    /// How far it reaches, either sign, base units in circuit terms; none where not told.
    pub range: Option<Measure>,
    /// The fuse of the meter's amps jack as written; empty where not told.
    pub fuse: String,
}

/// One channel's value in circuit terms at one time: what is judged and stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// When it was measured, as well as can be told.
    pub at: Mono,
    /// Where in the circuit.
    pub channel: ChannelId,
    /// What was measured. It is the meter's own function where that does not fit the channel.
    pub quantity: Quantity,
    /// The value in base units of the quantity.
    pub value: Value,
    /// Standard uncertainty from the channel's accuracy, base units; none where nothing is known of it.
    pub u: Option<f64>,
    /// The last digit that the meter showed was worth 10^place of the meter's base unit.
    pub place: Option<i8>,
    /// What that digit is worth in circuit terms, base units of the quantity.
    pub digit: Option<f64>,
    /// What the display showed beside the value.
    pub annunciators: Annunciators,
}
