//! Judging a stored session again: its samples and inputs go through the same session core as when they were recorded.
//!
//! With the procedure that it was recorded by, every row of the new judgement is that of the first record; `judge --check`
//! compares them. With another procedure, or once something was corrected, steps begin and end when they did in the record,
//! since the operator did what he did.
//!
//! `comparison` sets two sessions side by side, `retest` makes the procedure that does again what was not in limit, `known_good` tells
//! what good machines show, `emptied` keeps steps of which nothing is left.
//!
//! Read `again` first (what a session is judged by), then `corrections` (what was filed wrongly is put right), then `replay` (how the core is driven) and `timeline` (which steps were on, and in which order things came).

mod again;
mod comparison;
mod corrections;
mod emptied;
mod known_good;
mod marks;
mod replay;
mod retest;
mod timeline;

pub(crate) use again::{
    Basis, JudgingError, NewJudgement, judge_again, keep_judgement, procedure_in_force, procedure_text_in_force,
};
pub(crate) use comparison::{ComparedStep, Comparison, ComparisonError, StepChange, compare};
pub(crate) use corrections::{
    AskedCorrection, Corrected, CorrectionError, correct, corrections_in_words, judge_all_by_corrections,
    judge_by_corrections, undo,
};
pub(crate) use emptied::steps_and_emptied;
pub(crate) use known_good::{KnownGoodStep, known_good};
pub(crate) use retest::{RetestError, bench_differences, retest_procedure, steps_left};
