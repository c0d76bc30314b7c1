//! `bayline begin`: begins a session.

use std::{path::PathBuf, process::ExitCode};

use clap::Args;

use super::{
    CommonArgs,
    answer::{AnswerFormatArgs, print_step, session_name},
    client::ask,
    failure::Failure,
    visit::VisitArgs,
};
use crate::{
    judging::retest_procedure,
    procedure::Procedure,
    server::{BeginRequest, ProcedureText, Request},
    store::read::{self, Archive},
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
    /// After the repair, do again the steps of a session that were not in limit: its number, the start of its identity, or last
    #[arg(long, value_name = "SESSION", conflicts_with_all = ["procedure", "continues"])]
    retest: Option<String>,
    #[command(flatten)]
    visit: VisitArgs,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl BeginArgs {
    /// The steps that are to be done again, as a procedure.
    fn retest_procedure(&self, common: &CommonArgs) -> Result<Option<(String, ProcedureText)>, Failure> {
        let Some(wanted) = &self.retest else { return Ok(None) };
        let archive = Archive::open(&common.folder()?)?;
        let (connection, session) = archive.find(wanted)?;
        let text = read::procedure_text(connection, session.id)?;
        let text = retest_procedure(session.id, text.as_deref(), &read::steps(connection, &session)?)?;
        let file = format!("the procedure of the retest of session {}", session.id);
        let procedure = Procedure::parse(&file, &text)?;
        Ok(Some((procedure.caution, ProcedureText { file, text })))
    }

    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let procedure = match &self.procedure {
            None => self.retest_procedure(common)?,
            Some(path) => {
                // Checked here first, so that a mistake is reported under the file name that the user gave.
                let procedure = Procedure::load(path)?;
                Some((procedure.caution, ProcedureText { file: procedure.file, text: procedure.text }))
            }
        };
        let (caution, procedure) = procedure.unzip();
        let is_free_running = procedure.is_none() && self.continues.is_none();
        let request = Request::Begin(Box::new(BeginRequest {
            visit: self.visit.visit()?,
            procedure,
            continues: self.continues,
            retests: self.retest,
        }));
        let answer = ask(common, &request)?;
        self.format.print(&answer, |out, answer| {
            if let Some(ended) = &answer.ended {
                writeln!(out, "session {} ended", session_name(common, ended))?;
            }
            let begun = session_name(common, answer.session.as_deref().unwrap_or_default());
            writeln!(out, "session {begun} has begun")?;
            if let Some(caution) = caution.filter(|caution| !caution.is_empty()) {
                writeln!(out, "caution: {caution}")?;
            }
            for warning in &answer.warnings {
                writeln!(out, "warning: {warning}")?;
            }
            match &answer.step {
                Some(step) => print_step(out, step),
                None if is_free_running => writeln!(
                    out,
                    "without a procedure: each `bayline mark` begins a step; `bayline begin --procedure FILE` works through one"
                ),
                None => Ok(()),
            }
        })
    }
}
