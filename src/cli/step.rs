//! `bayline step`: goes to another step.

use std::process::ExitCode;

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_judgement, print_step},
    client::ask,
    failure::Failure,
};
use crate::server::Request;

/// Go to a step.
#[derive(Debug, Args)]
pub(super) struct StepArgs {
    /// next, back, again, skip, or a step's name
    #[arg(value_name = "WHERE")]
    to: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl StepArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Step { to: self.to })?;
        self.format.print(&answer, |out, answer| {
            print_judgement(out, answer.judged.as_ref())?;
            match &answer.step {
                Some(step) => print_step(out, step),
                None => writeln!(out, "that was the last step; end the session with `bayline end`"),
            }
        })
    }
}
