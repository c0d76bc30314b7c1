//! What the captures of a session show together: what is wrong, where, how certain that is, and what to measure next.
//!
//! Pure: plain values in, sentences with numbers out. No meter, no store, no clock; the same observations give the
//! same findings, so a live session and one judged again agree.
//!
//! Read in this order:
//! 1. `observation`: the captured values with their uncertainty; `finding`: what comes out.
//! 2. `layout`: which measurement on the circuit model each observation is; `model`: the circuit itself.
//! 3. `prior`: what a good circuit has; `fault`: the changes that can be made to it.
//! 4. `cause`: the candidates, one file for each kind; `fit`: how well each explains the observations; `search`: the
//!    fewest causes that explain most.
//! 5. `conclude` writes the findings, with `evidence`, `next` (what to measure), `missing` (what was not measured) and
//!    `siblings` (coils that differ from the others).

mod finding;
mod observation;
mod record;

mod fault;
mod layout;
mod model;
mod prior;

mod cause;
mod fit;
mod search;

mod conclude;
mod evidence;
mod missing;
mod next;
mod siblings;

#[cfg(test)]
mod tests;

pub use crate::procedure::{CircuitMeasurement, Role, RunningLoads};
pub use conclude::conclude;
pub use finding::{Alternative, Confidence, ConfidenceLevel, Finding, FindingKind};
pub use observation::{Measured, Observation, ObservationSet, SharedGainError};
pub(crate) use record::FindingRecord;
