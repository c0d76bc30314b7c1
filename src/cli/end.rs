//! `bayline end`: ends the session.

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_judgement, session_name},
    client::ask,
    compare::compare_retest,
    failure::Failure,
};
use crate::{judging::judge_by_corrections, server::Request, store::read::Archive};

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
            let session = session_name(common, answer.session.as_deref().unwrap_or_default());
            writeln!(out, "session {session} has ended; `bayline show last` prints its ledger")
        })?;
        let archive = Archive::open(&common.folder()?)?;
        let (connection, session) = archive.find(answer.session.as_deref().unwrap_or_default())?;
        if judge_by_corrections(&archive, connection, &session)? && !self.format.is_json() {
            writeln!(stdout(), "it is judged again by what was corrected while it was open")?;
        }
        if !self.format.is_json() {
            compare_retest(common, answer.session.as_deref().unwrap_or_default())?;
        }
        Ok(code)
    }
}
