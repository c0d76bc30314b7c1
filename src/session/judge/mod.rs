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
pub const FRESH_US: i64 = 3_000_000;

pub use aim::Aim;
pub use contact::Contact;
pub use figures::Figures;
pub use heat::{Heat, Part, TYPED_WITHIN, place};
pub use hold::Hold;
pub use limit::{compare, judge};
pub use load::Load;
pub use steady::{Settled, Window};
pub use step::{News, Seen, StepJudge};
pub use verdict::{Capture, How, Judgement, Verdict};

#[cfg(test)]
pub(in crate::session) use step::tests;
