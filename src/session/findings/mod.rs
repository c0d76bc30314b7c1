//! What the captures of a session show together: what is wrong, where, how certain that is, and what to measure next.
//!
//! Pure: plain values in, sentences with numbers out. No meter, no store, no clock; the same observations give the
//! same findings, so a live session and one judged again agree.
//!
//! Read in this order:
//! 1. `observation`: the captured values with their uncertainty; `finding`: what comes out.
//! 2. `circuit`: the machine as a netlist and what every reading would show; `layout`: which reading each observation is.
//! 3. `prior`: what a good machine has, in figures with their spread; `mode`: in which of two ways it may be good.
//! 4. `cause`: what may be wrong, faults and human mistakes, one file each; `fit`: how well each explains the observations.
//! 5. `search`: which hypotheses count, and how likely each is; `calibration`: how that became a probability.
//! 6. `statement`: what hypotheses say, summed over all that say the same; `conclude` writes the findings, with `evidence` and
//!    `next` (what to measure).

mod finding;
mod observation;
mod record;

mod circuit;
mod layout;
mod mode;
mod prior;

mod calibration;
mod cause;
mod fit;
mod search;
mod statement;

mod conclude;
mod evidence;
mod next;
mod no_fault;
mod task;

#[cfg(test)]
mod tests;

pub use crate::procedure::{CircuitMeasurement, Role, RunningLoads};
pub use conclude::{conclude, conclude_unless_cancelled};
pub use finding::{Alternative, Confidence, ConfidenceLevel, Finding, FindingKind};
pub use observation::{CaptureErrors, Measured, Observation, ObservationSet, SharedGainError};
pub(crate) use record::FindingRecord;
pub use task::FindingsTask;
