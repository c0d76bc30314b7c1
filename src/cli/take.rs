//! `bayline take`: captures the value that is shown now.

use std::process::ExitCode;

use clap::Args;

use super::{CommonArgs, answer::AnswerFormatArgs, client::ask, failure::Failure};
use crate::server::Request;

/// Capture the value that is shown now.
#[derive(Debug, Args)]
pub(super) struct TakeArgs {
    /// The channel; without it the step's own, or all in a free-running session. Yes or no answers a step that asks a question
    #[arg(value_name = "CHANNEL|yes|no")]
    channel: Option<String>,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl TakeArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let yes_no = self.channel.as_deref().and_then(|word| word.parse().ok());
        let channel = self.channel.filter(|_| yes_no.is_none());
        let answer = ask(common, &Request::Take { channel, answer: yes_no })?;
        self.format.print(&answer, |out, answer| {
            for taken in &answer.taken {
                let channel = if taken.channel.is_empty() { String::new() } else { format!("{}: ", taken.channel) };
                writeln!(out, "{channel}{}", taken.judgement.sentence(", "))?;
            }
            Ok(())
        })
    }
}
