//! How well a hypothesis explains what was measured: its evidence, not its best fit.
//!
//! All figures of a good machine are Gaussian beforehand (the ohms' logarithms are). A few of Gauss and Newton's steps find
//! the likeliest machine; there everything is taken as linear, so that the readings are Gaussian too, with the covariance of
//! all that may be off folded in. The probability of the readings under the hypothesis is then that of Laplace's method
//! (MacKay 2003, chapters 27 and 28, from memory): it falls with the misfit, and with what the hypothesis could have shown besides.
//!
//! Read `evidence` with `covariance`, then `screen`, which estimates the same for many hypotheses from one fit.

mod covariance;
mod evidence;
mod matrix;
mod screen;

#[cfg(test)]
mod tests;

pub(super) use evidence::{Fit, FitProblem, HypothesisEdit};
pub(super) use screen::Screen;
