//! Judging a stored session again: its samples and inputs go through the same session core as when they were recorded.
//!
//! With the procedure that it was recorded by, every row of the new judgement is that of the first record; `judge --check`
//! compares them. With another procedure, or once something was corrected, steps begin and end when they did in the record,
//! since the operator did what he did.
//!
//! Read `again` first (what a session is judged by), then `corrections` (what was filed wrongly is put right), then `replay` (how the core is driven) and `timeline` (which steps were on, and in which order things came).

mod again;
mod corrections;
mod replay;
mod timeline;

pub(crate) use again::{Basis, JudgingError, NewJudgement, judge_again, keep_judgement};
pub(crate) use corrections::{AskedCorrection, Corrected, CorrectionError, correct, undo};
