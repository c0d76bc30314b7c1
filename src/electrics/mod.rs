//! Physics and statistics as pure functions: what a coil should draw, what a wire should drop, how
//! sure a value is, and whether it keeps to a limit.
//!
//! Everything is in SI units as `f64` (temperatures in °C, where the doc says so), with the unit in
//! each item's doc and the source of each formula beside it. This folder depends on nothing else of
//! bayline: it knows no file, no meter, no step and no wording. It reads no clock and does no I/O.
//! "From memory" beside a source means that the document was not at hand; the figure then rests on
//! the test that reproduces it.

// How sure a value is.
mod uncertain;

mod propagate;

mod normal;

mod student;

// Whether it keeps to a limit, and to another value.
mod conformity;

mod agreement;

// What many values say.
mod running;

mod trend;

mod outlier;

// What the parts should do.
mod copper;

mod wire;

mod coil;

mod pwm;

// Where the resistance of a circuit is.
mod circuit;

#[cfg(test)]
mod checks;

pub use agreement::{normalized_error, z_score};
pub use circuit::{Balance, Circuit, CircuitError, Drops, Loss, Part, Side};
pub use coil::{Coil, CoilError, current, power, power_at, power_in_resistance};
pub use conformity::{Decision, Limits, Rule, decide, guard_band, probability_of_conformity};
pub use copper::{Copper, RHO_20};
pub use normal::{normal_cdf, normal_quantile};
pub use outlier::{CUSTOMARY_SCORE, OutlierError, Siblings, mad, median};
pub use propagate::{Correlation, PropagateError, covariance, difference_with_covariance, propagate, same_gain};
pub use pwm::{PwmCurrent, PwmDrive, PwmError, PwmUncertainty};
pub use running::Running;
pub use student::{CoverageError, Freedom, coverage_factor, rectangular_coverage_factor, welch_satterthwaite};
pub use trend::Trend;
pub use uncertain::Uncertain;
pub use wire::{Awg, Class, Size, Wire, WireError};
