//! How well a circuit explains what was measured: least squares with what is known beforehand.
//!
//! Every reading is compared with what the circuit would show, every part with what good parts have, each
//! by its standard deviation; the sum of squares is made least by Gauss and Newton's steps, damped as by
//! Levenberg (1944) and Marquardt (1963). Explanations are compared by that sum with a penalty of 2 for each
//! figure fitted (Akaike 1974) and 2 ln M for having chosen among M of them (the likelihood form of
//! Bonferroni's correction). Sources from memory.

mod matrix;
mod screen;
mod solve;

pub(super) use screen::LinearScreen;
pub(super) use solve::{FitProblem, FitResult, FittedFault};
