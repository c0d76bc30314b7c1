//! `bayline correct`: puts right what was told of the visit, and what was filed wrongly.

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::{ArgGroup, Args};
use serde::Serialize;

use super::{
    CommonArgs,
    answer::AnswerFormatArgs,
    client::ask,
    failure::Failure,
    judge::{ChangedStep, changed_steps, print_changed},
    visit::celsius,
};
use crate::{
    judging::{AskedCorrection, Corrected, correct, undo},
    procedure::MachineHeat,
    sanitize::sanitized,
    server::Request,
    session::{CorrectedField, Correction, VisitCorrection},
    store::read::{self, Archive},
    units::{Dimension, Measure},
};

/// Correct what was told of the visit, or what was filed wrongly; the first record stays, and a correction can be undone.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("of a mark").args(["rename", "to", "delete"]).multiple(true).requires("mark")))]
#[command(group(ArgGroup::new("of a step").args(["file_under", "void"]).multiple(true).requires("step")))]
pub(super) struct CorrectArgs {
    /// The session's number, the start of its identity, or last; without it the open session is meant
    #[arg(value_name = "ID")]
    id: Option<String>,
    /// The machine, in your own words
    #[arg(long, value_name = "TEXT")]
    machine: Option<String>,
    /// The job's number or name
    #[arg(long, value_name = "TEXT")]
    job: Option<String>,
    /// The vehicle identification number, or a machine's serial number
    #[arg(long, value_name = "NUMBER")]
    vin: Option<String>,
    /// The odometer or hour meter as it reads, such as "4211 h"
    #[arg(long, value_name = "READING")]
    counter: Option<String>,
    /// What the customer complains of
    #[arg(long, value_name = "TEXT")]
    complaint: Option<String>,
    /// The air temperature, such as "12 °C"
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    ambient: Option<f64>,
    /// The temperature of the part under test
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius, allow_hyphen_values = true)]
    part: Option<f64>,
    /// How warm the machine was: cold, warm or hot
    #[arg(long, value_name = "STATE")]
    state: Option<MachineHeat>,
    /// A mark, by its number or text: to be given another text or time, or deleted
    #[arg(long, value_name = "MARK", requires_all = ["id", "of a mark"])]
    mark: Option<String>,
    /// The text of the mark, as it is right
    #[arg(long, value_name = "TEXT")]
    rename: Option<String>,
    /// How long after the session's begin the mark belongs, such as "61.5 s" or "4 min"
    #[arg(long, value_name = "TIME", value_parser = microseconds)]
    to: Option<i64>,
    /// Delete the mark
    #[arg(long, conflicts_with_all = ["rename", "to"])]
    delete: bool,
    /// A step that was done, by its number or its name as `show` prints them: to be filed under another one, or declared void
    #[arg(long, value_name = "STEP", requires_all = ["id", "of a step"])]
    step: Option<String>,
    /// The step to which belongs what was captured in that one, as when you were one terminal ahead
    #[arg(long, value_name = "NAME")]
    file_under: Option<String>,
    /// Of several captures of that step the one of this number, from 1: it alone is filed under the other step, or void
    #[arg(long, value_name = "NUMBER", requires = "step")]
    capture: Option<usize>,
    /// What was captured in that step does not count, and why
    #[arg(long, value_name = "REASON")]
    void: Option<String>,
    /// The machine is known to be good: its values show what to expect of others like it
    #[arg(long, requires = "id", conflicts_with = "not_good")]
    good: bool,
    /// The machine is not known to be good
    #[arg(long, requires = "id")]
    not_good: bool,
    /// Undo the last correction, or the one of this number
    #[arg(long, value_name = "NUMBER", num_args = 0..=1, requires = "id", conflicts_with_all = [
        "machine", "job", "vin", "counter", "complaint", "ambient", "part", "state", "mark", "step", "good", "not_good",
    ])]
    undo: Option<Option<usize>>,
    /// Who corrects it
    #[arg(long, value_name = "NAME", env = "USER", default_value = "", hide_env_values = true)]
    by: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

/// A time since the session's begin, µs.
pub(super) fn microseconds(text: &str) -> Result<i64, String> {
    match text.parse::<Measure>() {
        Ok(Measure { value, dimension: Dimension::Second }) if (0.0..1e9).contains(&value) => {
            Ok((value * 1e6).round() as i64)
        }
        _ => Err("expected a time since the session began, such as \"61.5 s\" or \"4 min\"".to_owned()),
    }
}

/// What was corrected in a session that has ended.
#[derive(Debug, Serialize)]
struct CorrectionReport {
    session: i64,
    corrections: Vec<Correction>,
    #[serde(skip)]
    words: Vec<String>,
    undone: bool,
    /// Whether it was judged again.
    judged_again: bool,
    /// The judgement in force; 0 for the first record.
    judgement: i64,
    not_repeatable: Vec<String>,
    changed: Vec<ChangedStep>,
}

impl CorrectArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        match &self.id {
            Some(id) => self.of_stored(common, id),
            None => self.of_open(common),
        }
    }

    fn upper_vin(&self) -> Option<String> {
        self.vin.as_ref().map(|vin| vin.trim().to_uppercase())
    }

    fn of_open(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let vin = self.upper_vin();
        let Self { machine, job, counter, complaint, ambient, part, state, by, format, .. } = self;
        let told = VisitCorrection {
            by,
            machine,
            job,
            vin,
            counter,
            complaint,
            ambient_c: ambient,
            part_c: part,
            machine_state: state,
        };
        let answer = ask(common, &Request::Correct(Box::new(told)))?;
        format.print(&answer, |out, answer| {
            answer.corrections.iter().try_for_each(|correction| writeln!(out, "corrected: {correction}"))?;
            answer.warnings.iter().try_for_each(|warning| writeln!(out, "{warning}"))
        })
    }

    fn asked(&self) -> Vec<AskedCorrection> {
        let celsius = |value: Option<f64>| value.map(|value| value.to_string());
        let visit = [
            (CorrectedField::Machine, self.machine.clone()),
            (CorrectedField::Job, self.job.clone()),
            (CorrectedField::Vin, self.upper_vin()),
            (CorrectedField::Counter, self.counter.clone()),
            (CorrectedField::Complaint, self.complaint.clone()),
            (CorrectedField::Ambient, celsius(self.ambient)),
            (CorrectedField::Part, celsius(self.part)),
            (CorrectedField::State, self.state.map(|state| state.word().to_owned())),
        ];
        let mut asked: Vec<AskedCorrection> =
            visit.into_iter().filter_map(|(field, text)| Some(AskedCorrection::Visit(field, text?))).collect();
        if let Some(mark) = &self.mark {
            // By its number it is the same one after it was renamed.
            asked.extend(self.to.map(|at_us| AskedCorrection::MoveMark(mark.clone(), at_us)));
            asked.extend(self.rename.clone().map(|text| AskedCorrection::RenameMark(mark.clone(), text)));
            asked.extend(self.delete.then(|| AskedCorrection::DeleteMark(mark.clone())));
        }
        if let Some(step) = &self.step {
            asked.extend(self.void.clone().map(|why| AskedCorrection::Void(step.clone(), self.capture, why)));
            asked.extend(self.file_under.clone().map(|name| match self.capture {
                Some(number) => AskedCorrection::FileCapture(step.clone(), number, name),
                None => AskedCorrection::File(step.clone(), name),
            }));
        }
        asked.extend(self.good.then_some(AskedCorrection::Good(true)));
        asked.extend(self.not_good.then_some(AskedCorrection::Good(false)));
        asked
    }

    fn of_stored(&self, common: &CommonArgs, id: &str) -> Result<ExitCode, Failure> {
        let archive = Archive::open(&common.folder()?)?;
        let (connection, session) = archive.find(id)?;
        let before = read::steps(connection, session.id)?;
        let done = match self.undo {
            Some(wanted) => undo(&archive, connection, &session, wanted, &self.by)?,
            None => correct(&archive, connection, &session, &self.asked(), &self.by)?,
        };
        let Corrected { corrections, words, is_judged_again, not_repeatable } = done;
        // Read anew, as it is kept now.
        let (connection, session) = archive.find(&session.uuid)?;
        let report = CorrectionReport {
            session: session.id,
            corrections,
            words,
            undone: self.undo.is_some(),
            judged_again: is_judged_again,
            judgement: session.judgement,
            not_repeatable,
            changed: changed_steps(&before, &read::steps(connection, session.id)?),
        };
        let mut out = stdout().lock();
        if self.format.is_json() {
            writeln!(out, "{}", serde_json::to_string(&report).map_err(std::io::Error::from)?)?;
            return Ok(ExitCode::SUCCESS);
        }
        report.print(&mut out)?;
        Ok(ExitCode::SUCCESS)
    }
}

impl CorrectionReport {
    fn print(self, out: &mut dyn Write) -> std::io::Result<()> {
        let word = if self.undone { "undone" } else { "corrected" };
        for words in &self.words {
            writeln!(out, "{word}: {}", sanitized(words))?;
        }
        if !self.not_repeatable.is_empty() {
            writeln!(
                out,
                "can't be repeated, since samples were lost: {}",
                sanitized(&self.not_repeatable.join(", "))
            )?;
        }
        match (self.judged_again, self.judgement, self.changed.is_empty()) {
            (false, ..) => return Ok(()),
            (true, 0, _) => writeln!(out, "session {}: the first record is in force again", self.session)?,
            (true, number, _) => {
                writeln!(out, "session {}: judged again, judgement {number} is in force", self.session)?
            }
        }
        if self.changed.is_empty() { Ok(()) } else { print_changed(out, self.changed) }
    }
}
