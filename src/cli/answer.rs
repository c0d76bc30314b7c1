//! What the daemon answered, as sentences or as JSON.

use std::{
    io::{self, Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{CommonArgs, failure::Failure};
use crate::{
    sanitize::sanitized_record,
    server::{Answer, StepMessage},
    session::JudgementRecord,
    store::read::Archive,
};

/// The commands that cut a question short.
pub(super) const ANSWERING_COMMANDS: &str = "`bayline take`, or `bayline step` with again, next or skip";

/// How the daemon's answer is printed.
#[derive(Debug, Args)]
pub(super) struct AnswerFormatArgs {
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

impl AnswerFormatArgs {
    /// Whether JSON is wanted.
    pub(super) fn is_json(&self) -> bool {
        self.json
    }

    /// Prints an answer as one line of JSON, or by `sentences`, which get it with its texts sanitized.
    pub(super) fn print(
        &self,
        answer: &Answer,
        sentences: impl FnOnce(&mut dyn Write, &Answer) -> io::Result<()>,
    ) -> Result<ExitCode, Failure> {
        let mut out = stdout().lock();
        if self.json {
            writeln!(out, "{}", serde_json::to_string(answer).map_err(io::Error::from)?)?;
        } else {
            sentences(&mut out, &sanitized_record(answer).map_err(io::Error::from)?)?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// What a person calls a session of this identity: its number, or the identity where the database can't be read now.
pub(super) fn session_name(common: &CommonArgs, identity: &str) -> String {
    let number = || -> Result<i64, Failure> { Ok(Archive::open(&common.folder()?)?.find(identity)?.1.id) };
    number().map_or_else(|_| identity.to_owned(), |number| number.to_string())
}

/// The step: its place in the procedure, the instruction, and what the channel must show.
pub(super) fn print_step(out: &mut dyn Write, step: &StepMessage) -> io::Result<()> {
    let number = format!("step {}", step.number);
    match (step.place, step.of) {
        (Some(place), Some(of)) => write!(out, "step {place} of {of}: {}", step.name)?,
        // A mark without a text is named by its number.
        _ if step.name == number => write!(out, "{number}")?,
        _ => write!(out, "{number}: {}", step.name)?,
    }
    if step.attempt > 1 {
        write!(out, " (attempt {})", step.attempt)?;
    }
    writeln!(out)?;
    if !step.instruction.is_empty() {
        writeln!(out, "  {}", step.instruction)?;
    }
    match (&step.channel, &step.limit) {
        (Some(channel), Some(limit)) => {
            let quantity = step.quantity.as_ref().map_or(String::new(), |quantity| format!(" on {quantity}"));
            writeln!(out, "  {channel}{quantity}: {limit}")
        }
        (None, Some(good)) => writeln!(out, "  yes or no: {good} is good"),
        _ => Ok(()),
    }
}

/// The judgement of the step that has ended.
pub(super) fn print_judgement(out: &mut dyn Write, judged: Option<&JudgementRecord>) -> io::Result<()> {
    match judged {
        Some(judged) => writeln!(out, "{}", judged.sentence(": ")),
        None => Ok(()),
    }
}
