//! Judging a step. Pure: samples and limits in, verdicts with reasons out.
//!
//! Read in this order:
//! 1. `verdict`, `judgement` and `capture`: what comes out; `limit`, `reference` and `beyond_range` judge one value.
//! 2. `criteria`: what a step measures and must show.
//! 3. `contact`, `load`, `hold` and `heat` each follow one of a step's conditions, `steady` and `figures` its readings.
//! 4. `step` puts them together, sample by sample.

mod capture;
mod judgement;
mod verdict;

mod beyond_range;
mod limit;
mod reference;

mod criteria;

mod contact;
mod heat;
mod hold;
mod load;

mod figures;
mod steady;

mod step;

/// A reading that is older than this is not a present reading, µs.
pub(crate) const FRESH_US: i64 = 3_000_000;

pub(crate) use capture::{Capture, CaptureMethod, VoidCapture};
pub(crate) use contact::LeadContact;
pub(crate) use criteria::{StepCriteria, WatchRules};
pub(crate) use figures::Figures;
pub(crate) use heat::{PartCelsius, TYPED_TOLERANCE, TemperatureCorrection, plausible_temperatures};
pub(crate) use hold::{CoilHold, HoldTimer};
pub(crate) use judgement::{Judgement, JudgementRecord, Outcome, RangeEnd};
pub(crate) use limit::{compare, is_judged_by_size, judge};
pub(crate) use load::LoadConditions;
pub(crate) use reference::{ReferenceLimit, ReferredValue};
pub(crate) use steady::{Settled, SteadyWindow};
pub(crate) use step::{StepEvent, StepJudge, excess};
pub(crate) use verdict::{NotJudged, Verdict};

#[cfg(test)]
pub(in crate::session) use step::tests;
