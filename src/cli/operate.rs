//! The operator's words: begin, end, step, take, zero, mark, note.

use std::{
    io::{Write, stdout},
    path::PathBuf,
    process::ExitCode,
};

use clap::Args;

use super::{Common, client::ask, failure::Failure, visit::VisitArgs};
use crate::{
    procedure::Procedure,
    server::{Answer, BeginRequest, ProcedureText, Request, WireJudgement, WireStep, WireValue},
};

/// Begin a session.
#[derive(Debug, Args)]
pub(super) struct Begin {
    /// What is going to be done
    #[arg(long, value_name = "FILE")]
    procedure: Option<PathBuf>,
    /// Go on with a session that was cut off: its number, the beginning of its identity, or last
    #[arg(long, value_name = "SESSION")]
    continues: Option<String>,
    #[command(flatten)]
    visit: VisitArgs,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// End the session.
#[derive(Debug, Args)]
pub(super) struct End {
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// Go to a step.
#[derive(Debug, Args)]
pub(super) struct Step {
    /// next, back, again, skip, or a step's name
    #[arg(value_name = "WHERE")]
    to: String,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// Capture what is shown now.
#[derive(Debug, Args)]
pub(super) struct Take {
    /// The channel; without it the step's own, or all in a free-running session
    channel: Option<String>,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// Take a clamp's zero.
#[derive(Debug, Args)]
pub(super) struct Zero {
    /// The channel whose clamp has nothing through it
    channel: String,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// Mark this moment.
#[derive(Debug, Args)]
pub(super) struct Mark {
    /// What it was
    #[arg(default_value = "")]
    text: String,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

/// Keep a note.
#[derive(Debug, Args)]
pub(super) struct Note {
    /// What to keep
    text: String,
    /// Print the daemon's answer as JSON
    #[arg(long)]
    json: bool,
}

impl Begin {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let procedure = match &self.procedure {
            None => None,
            Some(path) => {
                // Checked here first: the mistake is told with the name that the user gave.
                let procedure = Procedure::load(path)?;
                Some((procedure.caution, ProcedureText { file: procedure.file, text: procedure.text }))
            }
        };
        let (caution, procedure) = procedure.unzip();
        let request = Request::Begin(Box::new(BeginRequest::new(self.visit.visit()?, procedure, self.continues)));
        let answer = ask(common, &request)?;
        print(self.json, &answer, |out| {
            if let Some(ended) = &answer.ended {
                writeln!(out, "session {ended} ended")?;
            }
            writeln!(out, "session {} began", answer.session.as_deref().unwrap_or_default())?;
            if let Some(caution) = caution.filter(|caution| !caution.is_empty()) {
                writeln!(out, "caution: {caution}")?;
            }
            for warning in &answer.warnings {
                writeln!(out, "warning: {warning}")?;
            }
            answer.step.as_ref().map_or(Ok(()), |step| tell_step(out, step))
        })
    }
}

impl End {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::End {})?;
        print(self.json, &answer, |out| {
            tell_judgement(out, answer.judged.as_ref())?;
            let session = answer.session.as_deref().unwrap_or_default();
            writeln!(out, "session {session} ended; `bayline show last` prints its ledger")
        })
    }
}

impl Step {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Step { to: self.to })?;
        print(self.json, &answer, |out| {
            tell_judgement(out, answer.judged.as_ref())?;
            match &answer.step {
                Some(step) => tell_step(out, step),
                None => writeln!(out, "that was the last step; `bayline end` ends the session"),
            }
        })
    }
}

impl Take {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Take { channel: self.channel })?;
        print(self.json, &answer, |out| {
            for taken in &answer.taken {
                let judgement = &taken.judgement;
                let shown = judgement.value.map_or_else(String::new, |value| value.show(judgement.quantity.as_deref()));
                let verdict = judgement.verdict.as_deref().unwrap_or("recorded");
                writeln!(out, "{}: {shown}, {verdict} ({})", taken.channel, judgement.reason)?;
            }
            Ok(())
        })
    }
}

impl Zero {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Zero { channel: self.channel.clone() })?;
        print(self.json, &answer, |out| {
            let Some(zeroed) = &answer.zeroed else { return Ok(()) };
            let show = |value| WireValue::Number(value).show(Some(&zeroed.quantity));
            write!(out, "{}: {} is taken off from now on", self.channel, show(zeroed.offset))?;
            match zeroed.drift {
                Some(drift) => writeln!(out, "; it has drifted by {} since the zero before", show(drift)),
                None => writeln!(out),
            }
        })
    }
}

impl Mark {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Mark { text: self.text })?;
        print(self.json, &answer, |out| match &answer.step {
            Some(step) => tell_step(out, step),
            None => writeln!(out, "marked"),
        })
    }
}

impl Note {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Note { text: self.text })?;
        print(self.json, &answer, |out| writeln!(out, "noted"))
    }
}

fn print(
    json: bool,
    answer: &Answer,
    words: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<ExitCode, Failure> {
    let mut out = stdout().lock();
    if json {
        writeln!(out, "{}", serde_json::to_string(answer).map_err(std::io::Error::from)?)?;
    } else {
        words(&mut out)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The step as a sentence: where we are, what to do, what it must show.
pub(super) fn tell_step(out: &mut dyn Write, step: &WireStep) -> std::io::Result<()> {
    match (step.place, step.of) {
        (Some(place), Some(of)) => write!(out, "step {place} of {of}: {}", step.name)?,
        _ => write!(out, "step {}: {}", step.number, step.name)?,
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
        _ => Ok(()),
    }
}

/// How the step that was left is judged.
pub(super) fn tell_judgement(out: &mut dyn Write, judged: Option<&WireJudgement>) -> std::io::Result<()> {
    match judged {
        Some(judged) => {
            let verdict = judged.verdict.as_deref().unwrap_or("recorded");
            writeln!(out, "{verdict}: {}", judged.reason)
        }
        None => Ok(()),
    }
}
