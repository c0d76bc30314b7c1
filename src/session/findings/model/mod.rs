//! The circuit model behind the findings: one battery, one shared feed, coils side by side, one shared ground.
//!
//! ```text
//! battery+ ── feed ──┬── driver, wire, feed pin ── coil ── ground pin, wire ──┬── ground ── battery−
//!   │                ├── (each further coil the same) ────────────────────────┤
//!   inside           └── what the machine draws anyhow                          stud
//! ```
//!
//! [`CircuitParameters`] is what all of it is made of, [`NodeVoltages`] the volts where branches meet, [`Measurement`] one measurement
//! and what it would show. Kirchhoff's and Ohm's laws alone: no observation, no limit and no sentence.
//!
//! Read `circuit`, then `nodes`, then `measurement`.

mod circuit;
mod measurement;
mod nodes;

pub(super) use circuit::{BranchParameters, CircuitParameters, Parameter};
pub(super) use measurement::{Measurand, Measurement, Predictor, comparable, comparable_u};
pub(super) use nodes::{DriveState, NodeVoltages};
