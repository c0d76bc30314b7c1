//! `bayline judge`: judges a stored session again.

use std::{
    io::{Write, stdout},
    path::PathBuf,
    process::ExitCode,
    sync::Arc,
};

use clap::Args;
use rusqlite::Connection;
use serde::Serialize;

use super::{
    CommonArgs,
    failure::Failure,
    show_value,
    table::{left, right, table},
};
use crate::{
    judging::{Basis, JudgingError, NewJudgement, judge_again, keep_judgement},
    procedure::Procedure,
    sanitize::sanitized,
    session::Verdict,
    store::read::{self, Archive, SessionRow, StepRow},
};

/// Judge a stored session again: the new judgement is kept beside the first one.
#[derive(Debug, Args)]
pub(super) struct JudgeArgs {
    /// The session's number, the start of its identity, or last; with --check also all
    #[arg(value_name = "ID", default_value = "last")]
    id: String,
    /// Judge by this procedure, which must have the steps that were done
    #[arg(long, value_name = "FILE", conflicts_with = "check")]
    procedure: Option<PathBuf>,
    /// Keep nothing, only prove that every value, verdict, reason and finding comes out the same again
    #[arg(long)]
    check: bool,
    /// Who judges again
    #[arg(long, value_name = "NAME", env = "USER", default_value = "", hide_env_values = true)]
    by: String,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
    /// Exit with status 4 when a step is out of limit
    #[arg(long)]
    strict: bool,
}

/// What came of judging again.
#[derive(Debug, Serialize)]
struct JudgeReport {
    session: i64,
    /// Its number; none where nothing was kept.
    judgement: Option<i64>,
    /// The first difference to the first record; none where there is none.
    difference: Option<String>,
    /// Steps whose samples were lost.
    not_repeatable: Vec<String>,
    /// Steps with another verdict or value than before.
    changed: Vec<ChangedStep>,
}

/// A step that came out otherwise.
#[derive(Debug, Serialize)]
pub(super) struct ChangedStep {
    step: String,
    before: Option<Verdict>,
    now: Option<Verdict>,
    value: String,
    reason: String,
}

impl JudgeArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let archive = Archive::open(&common.folder()?)?;
        if self.check {
            return self.check(archive);
        }
        let (connection, session) = archive.find(&self.id)?;
        let other = self.procedure.as_deref().map(Procedure::load).transpose()?.map(Arc::new);
        if session.samples == 0 && session.ended_us.is_some() {
            return Err(JudgingError::NoSamples { id: session.id }.into());
        }
        let before = read::steps(connection, session.id)?;
        let basis = Basis::corrected(connection, &session, other)?;
        let judged = judge_again(&archive, connection, &session, &basis)?;
        let (difference, not_repeatable) = (judged.difference(connection)?, judged.not_repeatable.clone());
        let number = keep_judgement(connection, &session, judged, &self.by)?;
        // Read anew, as it is kept now.
        let (connection, session) = archive.find(&session.uuid)?;
        let outcome = JudgeReport {
            session: session.id,
            judgement: Some(number),
            difference,
            not_repeatable,
            changed: changed_steps(&before, &read::steps(connection, session.id)?),
        };
        let mut out = stdout().lock();
        if self.json {
            writeln!(out, "{}", serde_json::to_string(&outcome).map_err(std::io::Error::from)?)?;
        } else {
            outcome.print(&mut out)?;
        }
        let is_outside = self.strict && session.outside > 0;
        Ok(if is_outside { ExitCode::from(4) } else { ExitCode::SUCCESS })
    }

    /// Proves that sessions come out the same again.
    fn check(self, mut archive: Archive) -> Result<ExitCode, Failure> {
        let wanted = match self.id.as_str() {
            "all" => archive.sessions()?.into_iter().map(|session| session.uuid).collect(),
            id => vec![id.to_owned()],
        };
        let is_one = self.id != "all";
        let mut out = stdout().lock();
        for id in wanted {
            let (connection, session) = archive.find(&id)?;
            match check_one(&archive, connection, &session) {
                Ok(outcome) if self.json => {
                    writeln!(out, "{}", serde_json::to_string(&outcome).map_err(std::io::Error::from)?)?;
                }
                Ok(outcome) => outcome.print(&mut out)?,
                // Of many, those that can't be judged are reported and passed over.
                Err(error @ (JudgingError::Open { .. } | JudgingError::NoInputs { .. })) if !is_one => {
                    writeln!(out, "{}", sanitized(&error.to_string()))?;
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn check_one(archive: &Archive, connection: &Connection, session: &SessionRow) -> Result<JudgeReport, JudgingError> {
    let judged: NewJudgement = judge_again(archive, connection, session, &Basis::default())?;
    if let Some(difference) = judged.difference(connection)? {
        return Err(JudgingError::Different { id: session.id, difference });
    }
    Ok(JudgeReport {
        session: session.id,
        judgement: None,
        difference: None,
        not_repeatable: judged.not_repeatable,
        changed: Vec::new(),
    })
}

/// The steps that came out otherwise, each with its newest attempt.
pub(super) fn changed_steps(before: &[StepRow], now: &[StepRow]) -> Vec<ChangedStep> {
    let newest = |steps: &[StepRow], name: &str| steps.iter().rev().find(|step| step.name == name).cloned();
    let mut names: Vec<&str> = Vec::new();
    for step in before.iter().chain(now) {
        if !names.contains(&step.name.as_str()) {
            names.push(&step.name);
        }
    }
    let changed = names.into_iter().filter_map(|name| {
        let (was, is) = (newest(before, name), newest(now, name));
        let key = |step: &Option<StepRow>| {
            let step = step.as_ref();
            (step.and_then(|step| step.verdict), step.and_then(|step| step.reason.clone()), step.is_some())
        };
        (key(&was) != key(&is)).then(|| ChangedStep {
            step: name.to_owned(),
            before: was.and_then(|step| step.verdict),
            now: is.as_ref().and_then(|step| step.verdict),
            value: is.as_ref().and_then(|step| step.capture.as_ref()).map_or("–".to_owned(), show_value::captured),
            reason: is.and_then(|step| step.reason).unwrap_or_default(),
        })
    });
    changed.collect()
}

/// A table of the steps that came out otherwise.
pub(super) fn print_changed(out: &mut dyn Write, changed: Vec<ChangedStep>) -> std::io::Result<()> {
    let word = |verdict: Option<Verdict>| verdict.map_or("–", Verdict::word).to_owned();
    let rows = changed.into_iter().map(|step| [step.step, word(step.before), word(step.now), step.value, step.reason]);
    write!(out, "{}", table([left("step"), left("before"), left("now"), right("value"), left("why")], rows))
}

impl JudgeReport {
    fn print(self, out: &mut dyn Write) -> std::io::Result<()> {
        match (self.judgement, &self.difference) {
            (Some(number), _) => writeln!(out, "session {}: judgement {number} is kept and in force", self.session)?,
            (None, _) => writeln!(out, "session {}: judged again, all comes out the same", self.session)?,
        }
        if !self.not_repeatable.is_empty() {
            let steps = self.not_repeatable.iter().map(|step| format!("\"{}\"", sanitized(step))).collect::<Vec<_>>();
            writeln!(out, "can't be repeated, since samples were lost: {}", steps.join(", "))?;
        }
        match (self.judgement, self.changed.is_empty()) {
            (Some(_), true) => writeln!(out, "no verdict, value or reason has changed"),
            (Some(_), false) => print_changed(out, self.changed),
            (None, _) => Ok(()),
        }
    }
}
