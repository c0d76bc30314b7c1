//! A simulated bench on real pseudo-terminals, for a demonstration that needs no hardware.
//!
//! The story is invented: a compact loader's hydraulic valve block in which something is wrong. The
//! simulation speaks to the daemon as meters do, by lines of text on a serial port, and in no other
//! way: nothing outside this folder knows which fault was planted.
//!
//! [`Bench::start`] puts three instruments on ports. The modules stand in the order in which truth
//! becomes text.

pub mod circuit;
pub mod fault;
mod network;
pub mod noise;
pub mod operating;
pub mod world;

pub mod bench;
pub mod meter;
pub mod pty;

pub use bench::{Bench, BenchError, Instrument, Port, Settings, Until};
pub use fault::Fault;
