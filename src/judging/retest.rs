//! A retest after the repair: the procedure of a session, with the steps alone that were not in limit.

use rusqlite::Connection;
use toml::Value;

use super::JudgingError;
use crate::{
    channel::Channel,
    procedure::{Procedure, Step, ValueSource},
    session::Verdict,
    store::read::{ChannelRow, SessionRow, StepRow, last_attempts, parts, procedure_text, steps},
};

/// Why there is nothing to do again.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RetestError {
    /// It has no procedure.
    #[error("session {id} has no procedure, so it can't be told which of its steps to do again")]
    FreeRunning {
        /// Its number.
        id: i64,
    },
    /// Everything was in limit.
    #[error("in session {id} every step is in limit: there is nothing to do again")]
    NothingOpen {
        /// Its number.
        id: i64,
    },
    /// The procedure as it is kept can't be cut down to some of its steps.
    #[error("the procedure of session {id} can't be cut down to the steps that are to be done again: {why}")]
    Procedure {
        /// Its number.
        id: i64,
        /// What is wrong.
        why: String,
    },
}

/// What of the bench is not as it was, for the channels of a procedure: a sentence each. A channel that is not known yet is
/// left out.
pub(crate) fn bench_differences(
    id: i64,
    before: &[ChannelRow],
    now: &[&Channel],
    procedure: Option<&Procedure>,
) -> Vec<String> {
    let is_used =
        |name: &str| procedure.is_none_or(|own| own.steps.iter().any(|step| step.channels().any(|own| own == name)));
    let mut found = Vec::new();
    for row in before.iter().filter(|row| is_used(&row.name)) {
        let Some(channel) = now.iter().find(|channel| channel.name == row.name) else { continue };
        let scale = channel.conversion.scale.as_ref().map_or("", |scale| &scale.text);
        let accuracy = channel.conversion.accuracy.as_ref().map_or("", |sheet| &sheet.text);
        let named = |text: &str| if text.is_empty() { "none".to_owned() } else { format!("\"{text}\"") };
        for (what, was, is) in [
            ("meter", row.meter.as_str(), channel.meter_name.as_str()),
            ("scale", row.scale.as_str(), scale),
            ("accuracy", row.accuracy.as_str(), accuracy),
        ] {
            let sentence = format!(
                "the {what} of channel \"{}\" is {} now and was {} in session {id}: the difference of the two may be the bench's",
                row.name,
                named(is),
                named(was)
            );
            if was != is && !found.contains(&sentence) {
                found.push(sentence);
            }
        }
    }
    found
}

/// The steps of a retest that have no value yet, in their order: neither here nor in the part of it that this session continues.
///
/// # Errors
/// The database or the procedure can't be read.
pub(crate) fn steps_left(connection: &Connection, session: &SessionRow) -> Result<Vec<String>, JudgingError> {
    let text = procedure_text(connection, session.id)?;
    let procedure = text.map(|text| Procedure::parse("the procedure of the retest", &text)).transpose()?;
    let mut done = Vec::new();
    for part in parts(connection, session.id)? {
        done.extend(steps(connection, part)?);
    }
    let is_left = |step: &&Step| !done.iter().any(|row: &StepRow| row.name == step.name && row.has_value());
    let procedure_steps = procedure.iter().flat_map(|procedure| &procedure.steps);
    Ok(procedure_steps.filter(is_judged).filter(is_left).map(|step| step.name.clone()).collect())
}

/// Whether something comes out of a step.
fn is_judged(step: &&Step) -> bool {
    step.limit.is_some() || step.relative.is_some() || step.answer.is_some() || !step.responses.is_empty()
}

/// The text of a procedure with the steps that are to be done again: those that were not in limit or not decided, and those
/// that the limits of these refer to.
///
/// # Errors
/// There are none, or the text can't be cut down.
pub(crate) fn retest_procedure(id: i64, text: Option<&str>, steps: &[StepRow]) -> Result<String, RetestError> {
    let wrong = |why: String| RetestError::Procedure { id, why };
    let text = text.ok_or(RetestError::FreeRunning { id })?;
    let procedure =
        Procedure::parse("the procedure of that session", text).map_err(|error| wrong(error.to_string()))?;
    let last = last_attempts(steps);
    let is_open = |name: &str| {
        let done = last.iter().find(|step| step.name == name);
        done.is_none_or(|step| step.verdict != Some(Verdict::InLimit))
    };
    let judged = procedure.steps.iter().filter(is_judged);
    let mut wanted: Vec<&str> = judged.map(|step| step.name.as_str()).filter(|name| is_open(name)).collect();
    if wanted.is_empty() {
        return Err(RetestError::NothingOpen { id });
    }
    let mut next = 0;
    while let Some(name) = wanted.get(next).copied() {
        next += 1;
        let step = procedure.steps.iter().find(|step| step.name == name);
        for source in step.iter().filter_map(|step| step.relative.as_ref()).flat_map(|own| own.reference.sources()) {
            let other =
                procedure.steps.iter().find(|step| matches!(source, ValueSource::Step(name) if *name == step.name));
            if let Some(other) = other.filter(|other| !wanted.contains(&other.name.as_str())) {
                wanted.push(&other.name);
            }
        }
    }
    let mut table: toml::Table = text.parse().map_err(|error: toml::de::Error| wrong(error.message().to_owned()))?;
    // A table of a set makes as many steps as the set has items; all of them stay where one of them is wanted.
    let mut counts = procedure.steps.iter().peekable();
    let Some(Value::Array(tables)) = table.get_mut("step") else { return Err(wrong("it has no steps".to_owned())) };
    tables.retain(|_| {
        let Some(first) = counts.next() else { return true };
        let mut is_wanted = wanted.contains(&first.name.as_str());
        while first.set.is_some()
            && counts.peek().is_some_and(|other| other.set == first.set && other.line == first.line)
        {
            is_wanted |= counts.next().is_some_and(|other| wanted.contains(&other.name.as_str()));
        }
        is_wanted
    });
    let cut = toml::to_string(&table).map_err(|error| wrong(error.to_string()))?;
    Procedure::parse("the procedure of the retest", &cut).map_err(|error| wrong(error.to_string()))?;
    Ok(cut)
}
