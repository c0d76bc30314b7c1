//! `bayline note`: keeps a note.

use std::process::ExitCode;

use clap::Args;

use super::{CommonArgs, answer::AnswerFormatArgs, client::ask, failure::Failure};
use crate::server::Request;

/// Keep a note.
#[derive(Debug, Args)]
pub(super) struct NoteArgs {
    /// The text of the note
    text: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl NoteArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Note { text: self.text })?;
        self.format.print(&answer, |out, _| writeln!(out, "note kept"))
    }
}
