//! `bayline mark`: marks a moment.

use std::process::ExitCode;

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_step},
    client::ask,
    failure::Failure,
};
use crate::server::Request;

/// Mark this moment.
#[derive(Debug, Args)]
pub(super) struct MarkArgs {
    /// What happened
    #[arg(default_value = "")]
    text: String,
    /// Who marks it
    #[arg(long, value_name = "NAME", env = "USER", default_value = "", hide_env_values = true)]
    by: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl MarkArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Mark { text: self.text, by: self.by })?;
        self.format.print(&answer, |out, answer| match &answer.step {
            Some(step) => print_step(out, step),
            None => writeln!(out, "marked"),
        })
    }
}
