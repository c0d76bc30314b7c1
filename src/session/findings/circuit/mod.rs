//! The machine behind the captures, as a netlist: battery, shared feed, coils side by side, shared ground.
//!
//! ```text
//! battery+ ── feed ──┬── driver, wire (clamp), wire, pin ── coil ── pin, wire ──┬── ground ── battery−
//!   │                ├── wire (clamp), wire, pin ── coil ── pin, wire, driver ──┤
//!   inside           └── what the machine draws anyhow                          stud
//! ```
//!
//! [`MachineFigures`] is what all of it is made of, each with what a good machine has; [`Edit`] what a fault or a human mistake
//! changes; [`CircuitModel`] what every reading would show, and how that moves with each figure. Kirchhoff's and Ohm's laws
//! alone: no limit and no sentence.
//!
//! Read `measurand`, `figures` and `edit`, then `view` and `state`, then `predict` and `meter`; `solved` is
//! a machine that was solved once, for many small changes.

mod edit;
mod figures;
mod measurand;
mod meter;
mod predict;
mod solved;
mod state;
mod term;
mod view;

pub(super) use edit::{AppliedEdit, Edit, LeakPlace, Part};
pub(super) use figures::{FIGURES_OF_BRANCH, Figure, FigurePrior, MachineFigures};
pub(super) use measurand::{DriveState, Measurand};
pub(super) use predict::{CircuitModel, MeterReading, Prediction};
pub(super) use solved::{MovedReadings, SolvedMachine};

/// Ohms in the form in which they are compared: 1/(1 ohm + R) with R in Ω, in siemens. So a dead short and an
/// open circuit are both finite, and an overload on the ohms range is simply 0.
pub(super) fn comparable(ohms: f64) -> f64 {
    1.0 / (1.0 + ohms.max(0.0))
}
