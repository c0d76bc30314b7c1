//! What readings say about a step. Pure: samples and limits in, verdicts with reasons out.

mod figures;
mod limit;
mod step;
mod verdict;

pub use figures::Figures;
pub use limit::{compare, judge};
pub use step::{Aim, StepJudge};
pub use verdict::{Capture, How, Judgement, Verdict};
