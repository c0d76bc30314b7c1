//! `bayline undo`: undoes the operator's last act.

use std::process::ExitCode;

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_step},
    client::ask,
    failure::Failure,
};
use crate::server::Request;

/// Undo the last act, once.
///
/// What can be undone: going to a step, a capture, an answer, a zero, a mark, a note, a photo, a correction. The begin and the end of a
/// session can't. Nothing is deleted: what was undone stays in the record, with a line that says so.
#[derive(Debug, Args)]
pub(super) struct UndoArgs {
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl UndoArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Undo {})?;
        self.format.print(&answer, |out, answer| {
            if let Some(undone) = &answer.undone {
                writeln!(out, "{undone}")?;
            }
            answer.step.as_ref().map_or(Ok(()), |step| print_step(out, step))
        })
    }
}
