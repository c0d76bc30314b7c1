//! A simulated bench on real pseudo-terminals, for a demonstration that needs no hardware.
//!
//! The story is invented: a compact loader's hydraulic valve block in which something is wrong. The
//! simulation speaks to the daemon as meters do, by lines of text on a serial port, and in no other
//! way: nothing outside this folder knows which fault was planted.
//!
//! [`SimulatedBench::start`] puts three instruments on ports, [`files::bench`] and [`files::procedure`] give the
//! files to run with, and [`Scenario::play`] moves the hands and tells an [`Operator`] what to mark.
//! The modules stand in the order in which truth becomes text, then the story.

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
