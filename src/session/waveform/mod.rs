//! The shape of a signal in one step: whether it is steady or switched, its duty and frequency, mean and RMS, ripple, and how it
//! goes on when it is switched on. Constant work for each sample and memory that does not grow.
//!
//! What samples can't show is not given: a signal that repeats faster than the samples follow shows another one (aliasing), and
//! nothing in the samples tells. So each figure needs a rate, by the highest frequency that the procedure names, and where the
//! rate is too low the sentence says which one would do.
//!
//! Reading order: `sample_rate` (how often samples come), `edges` (levels and edges of a switched signal), `ripple`,
//! `switch_on` (peak, hold and time constant), `summary` (what is stored), `meter` (all of it for one channel), `figure` (the
//! figure that a step is judged on).

mod edges;
mod figure;
mod meter;
mod ripple;
mod sample_rate;
mod summary;
mod switch_on;

#[cfg(test)]
mod tests;

pub(in crate::session) use figure::{judged_ripple, judged_shape};
pub(in crate::session) use meter::{WaveformDepth, WaveformMeter};
pub use summary::{SignalShape, WaveformSummary};
