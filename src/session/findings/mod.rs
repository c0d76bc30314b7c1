//! What the captures of a session say together: what is wrong, where, how sure, and what to measure next.
//!
//! Pure: plain values in, sentences with numbers out. Knows no meter, no store, no clock; the same facts
//! give the same findings, so a live session and one judged again agree.
//!
//! Facts ([`Case`]) are laid out on a small circuit (`model`) whose sound parts are known roughly
//! (`sound`); each `cause` says where it could be and what it would change; the `fit` tells how well
//! each explains what was measured, the `search` picks the fewest that explain most, and [`conclude()`]
//! puts that into words. Read in this order.

mod finding;
mod observation;

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
