//! `bayline begin`: begins a session.

use std::{path::PathBuf, process::ExitCode};

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_step},
    client::ask,
    failure::Failure,
    visit::VisitArgs,
};
use crate::{
    procedure::Procedure,
    server::{BeginRequest, ProcedureText, Request},
};

/// Begin a session.
#[derive(Debug, Args)]
pub(super) struct BeginArgs {
    /// The procedure to work through; without it the session is free-running
    #[arg(long, value_name = "FILE")]
    procedure: Option<PathBuf>,
    /// Continue a session that was cut off: its number, the start of its identity, or last
    #[arg(long, value_name = "SESSION")]
    continues: Option<String>,
    #[command(flatten)]
    visit: VisitArgs,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl BeginArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let procedure = match &self.procedure {
            None => None,
            Some(path) => {
                // Checked here first, so that a mistake is reported under the file name that the user gave.
                let procedure = Procedure::load(path)?;
                Some((procedure.caution, ProcedureText { file: procedure.file, text: procedure.text }))
            }
        };
        let (caution, procedure) = procedure.unzip();
        let request =
            Request::Begin(Box::new(BeginRequest { visit: self.visit.visit()?, procedure, continues: self.continues }));
        let answer = ask(common, &request)?;
        self.format.print(&answer, |out, answer| {
            if let Some(ended) = &answer.ended {
                writeln!(out, "session {ended} ended")?;
            }
            writeln!(out, "session {} has begun", answer.session.as_deref().unwrap_or_default())?;
            if let Some(caution) = caution.filter(|caution| !caution.is_empty()) {
                writeln!(out, "caution: {caution}")?;
            }
            for warning in &answer.warnings {
                writeln!(out, "warning: {warning}")?;
            }
            answer.step.as_ref().map_or(Ok(()), |step| print_step(out, step))
        })
    }
}
