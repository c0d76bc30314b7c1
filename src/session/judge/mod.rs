//! What readings say about a step. Pure: samples and limits in, verdicts with reasons out.

mod verdict;

mod limit;

mod contact;
mod figures;
mod heat;
mod hold;
mod load;
mod steady;

mod reach;

mod aim;
mod step;

/// What was shown longer ago says nothing about now, µs.
pub(crate) const FRESH_US: i64 = 3_000_000;

pub(crate) use aim::Aim;
pub(crate) use contact::Contact;
pub(crate) use figures::Figures;
pub(crate) use heat::{Heat, Part, TYPED_WITHIN, place};
pub(crate) use hold::Hold;
pub(crate) use limit::{compare, judge};
pub(crate) use load::Load;
pub(crate) use steady::{Settled, Window};
pub(crate) use step::{News, StepJudge};
pub(crate) use verdict::{Capture, How, Judgement, Verdict};

#[cfg(test)]
pub(in crate::session) use step::tests;
