//! `bayline end`: ends the session.

use std::process::ExitCode;

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_judgement},
    client::ask,
    compare::compare_retest,
    failure::Failure,
};
use crate::server::Request;

/// End the session.
#[derive(Debug, Args)]
pub(super) struct EndArgs {
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl EndArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::End {})?;
        let code = self.format.print(&answer, |out, answer| {
            print_judgement(out, answer.judged.as_ref())?;
            let session = answer.session.as_deref().unwrap_or_default();
            writeln!(out, "session {session} has ended; `bayline show last` prints its ledger")
        })?;
        if !self.format.is_json() {
            compare_retest(common, answer.session.as_deref().unwrap_or_default())?;
        }
        Ok(code)
    }
}
