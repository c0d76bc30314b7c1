//! `bayline take`: captures the value that is shown now.

use std::process::ExitCode;

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, judgement_text},
    client::ask,
    failure::Failure,
};
use crate::server::Request;

/// Capture the value that is shown now.
#[derive(Debug, Args)]
pub(super) struct TakeArgs {
    /// The channel; without it the step's own, or all in a free-running session
    channel: Option<String>,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl TakeArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Take { channel: self.channel })?;
        self.format.print(&answer, |out, answer| {
            for taken in &answer.taken {
                writeln!(out, "{}: {}", taken.channel, judgement_text(&taken.judgement, ", "))?;
            }
            Ok(())
        })
    }
}
