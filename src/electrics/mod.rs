//! Physics and statistics as pure functions: what a coil should draw, what a wire should drop, how
//! sure a value is, and whether it keeps to a limit.
//!
//! Everything is in SI units as `f64` (temperatures in °C, where the doc says so), with the unit in
//! each item's doc and the source of each formula beside it. This folder depends on nothing else of
//! bayline: it knows no file, no meter, no step and no wording. It reads no clock and does no I/O.
//! "From memory" beside a source means that the document was not at hand; the figure then rests on
//! the test that reproduces it.
//!
//! Reading order: `uncertain`, `propagate` and `normal` (a value and its uncertainty), `conformity` and `agreement`
//! (a value against a limit or another value), `running`, `trend`, `exponential`, `cusum` and `median` (statistics of many values), `copper`,
//! `wire` and `coil` (what a part should do), `circuit` and `netlist` (where a circuit has resistance). For tests: `checks`, `noise`,
//! `switched_coil`.

// How sure a value is.
mod uncertain;

mod propagate;

mod normal;

// Whether it keeps to a limit, and to another value.
mod conformity;

mod agreement;

// Statistics of many values.
mod running;

mod trend;

mod median;

mod cusum;

mod exponential;

// What the parts should do.
mod copper;

mod wire;

mod coil;

// Where the resistance of a circuit is.
mod circuit;

mod netlist;

#[cfg(test)]
pub(crate) mod checks;
#[cfg(test)]
pub(crate) mod noise;
#[cfg(test)]
pub(crate) mod switched_coil;

pub(crate) use agreement::normalized_difference;
pub(crate) use circuit::{CircuitError, Drops, MeasuredCircuit, Side};
pub(crate) use coil::{current, power_at};
pub(crate) use conformity::{Decision, DecisionRule, Limits, decide, probability_of_conformity};
pub(crate) use copper::Copper;
pub(crate) use cusum::CumulativeSums;
pub(crate) use exponential::ExponentialFit;
pub(crate) use median::{mad, median};
pub(crate) use netlist::{
    ChangedNetlist, CircuitReading, MOST_CHANGES, Netlist, NetlistChange, ReadingGains, Resistor, SolvedNetlist,
};
pub(crate) use propagate::{Correlation, difference_with_covariance, propagate, same_gain};
pub(crate) use running::RunningStatistics;
pub(crate) use trend::Trend;
pub use uncertain::Uncertain;
pub(crate) use wire::{Awg, ConductorClass, ConductorSize, Wire, WireError};
