//! What readings say about a step. Pure: samples and limits in, verdicts with reasons out.

mod verdict;

mod judgement;
mod limit;

mod contact;
mod figures;
mod heat;
mod hold;
mod load;
mod steady;

mod beyond_range;

mod capture;
mod criteria;
mod step;

/// What was shown longer ago says nothing about now, µs.
pub(crate) const FRESH_US: i64 = 3_000_000;

pub(crate) use capture::{Capture, CaptureMethod};
pub(crate) use contact::LeadContact;
pub(crate) use criteria::StepCriteria;
pub(crate) use figures::Figures;
pub(crate) use heat::{PartCelsius, TYPED_TOLERANCE, TemperatureCorrection, possible_temperatures};
pub(crate) use hold::HoldTimer;
pub(crate) use judgement::{Judgement, JudgementRecord, Outcome, RangeEnd};
pub(crate) use limit::{compare, judge};
pub(crate) use load::LoadConditions;
pub(crate) use steady::{Settled, SteadyWindow};
pub(crate) use step::{StepEvent, StepJudge};
pub(crate) use verdict::{NotJudged, Verdict};

#[cfg(test)]
pub(in crate::session) use step::tests;
