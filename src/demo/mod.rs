//! A simulated bench on real pseudo-terminals, for a demonstration without hardware.
//!
//! The machine is invented: a compact loader's hydraulic valve block with a fault in it. The simulation reaches the
//! daemon as meters do, by lines of text on a serial port, and in no other way: nothing outside this folder knows
//! which fault is in it.
//!
//! [`SimulatedBench::start`] puts three instruments on ports, [`files::bench`] and [`files::procedure`] give the files
//! to run with, and [`Scenario::play`] moves leads and selectors and calls an [`Operator`] for each step.
//!
//! Read in this order: `circuit` (the parts), `fault` (what can be wrong), `network` and `operating` (the solution),
//! `machine` (the state shared by operator and instruments), `noise`, `meter` (truth to text), `pty` and `bench`
//! (text to ports), `files`, `scenario` (the story).

pub mod circuit;
pub mod fault;
pub(crate) mod machine;
mod network;
pub mod noise;
pub mod operating;

pub(crate) mod bench;
pub mod meter;
pub(crate) mod pty;

pub(crate) mod files;
pub(crate) mod scenario;

pub(crate) use bench::{DwellUntil, SimulatedBench, SimulationSettings};
pub(crate) use scenario::{Operator, Scenario};

#[cfg(test)]
mod tests;
