//! A session that another one continues.

use std::{error::Error, str::FromStr};

use rusqlite::{Connection, OptionalExtension, Row, types::Type};
use uuid::Uuid;

use super::{
    Archive, JudgementOf, SessionRow, StepRow, StoredInput, dropouts, excursions, inputs, parts, procedure_text,
    responses, steps,
};
use crate::{
    protocol::Value,
    session::{
        CaptureMethod, Judgement, JudgementRecord, PreviousJudgement, PreviousSession, PreviousStep, PreviousWatch,
        PreviousWorst, Verdict, Visit,
    },
    store::{StoreError, interrupted::INTERRUPTED},
    units::{Quantity, Scale},
};

/// What a session began with and what it left.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ResumableSession {
    /// Which machine, and why it was here.
    pub visit: Visit,
    /// The procedure file as it was; none when free-running.
    pub procedure: Option<String>,
    /// The session whose steps it does again; none where it is no retest.
    pub retests: Option<Uuid>,
    /// Its steps and what they came to.
    pub previous: PreviousSession,
}

/// The session of a number, of the beginning of an identity, or `last`, to be continued.
///
/// # Errors
/// There is none, or it is still open.
pub(crate) fn resumable_session(archive: &Archive, wanted: &str) -> Result<ResumableSession, StoreError> {
    let (connection, session) = archive.find(wanted)?;
    if session.ended_us.is_none() {
        return Err(StoreError::StillOpen { id: session.id });
    }
    let procedure = procedure_text(connection, session.id)?;
    let previous = previous_session(connection, &session)?;
    let retests = session.retests.as_deref().and_then(|uuid| Uuid::parse_str(uuid).ok());
    Ok(ResumableSession { visit: session.visit, procedure, retests, previous })
}

/// What the steps of a session came to, by the judgement that its row names.
pub(crate) fn previous_session(connection: &Connection, session: &SessionRow) -> Result<PreviousSession, StoreError> {
    let mut previous = Vec::new();
    for step in steps(connection, session)? {
        previous.push(PreviousStep {
            done: matches!(step.left.as_deref(), Some("done" | "skipped")),
            worst: step
                .capture
                .as_ref()
                .filter(|capture| capture.how == CaptureMethod::Worst && step.left.as_deref() == Some(INTERRUPTED))
                .and_then(|capture| {
                    let value = capture.value.map(Value::Number).or(capture.beyond.map(Value::from))?;
                    Some(PreviousWorst { value, quantity: capture.quantity? })
                }),
            watched: watched_before(connection, session, &step)?,
            judged: judged(connection, session.id, &step)?,
            name: step.name,
        });
    }
    // A session of a program with identities of another form is continued as well.
    let id = Uuid::parse_str(&session.uuid).unwrap_or(Uuid::nil());
    Ok(PreviousSession { id, judgement: session.judgement, steps: previous })
}

/// What was found in a step that was cut off, in the earlier parts of the visit that were cut off in it too.
///
/// Each part counts by the judgement that it was continued by: one that is put in force later changes nothing of what this visit
/// rests on.
fn watched_before(connection: &Connection, session: &SessionRow, step: &StepRow) -> Result<PreviousWatch, StoreError> {
    let mut found = PreviousWatch::default();
    let mut judgement = session.judgement;
    for part in parts(connection, session.id)?.into_iter().rev() {
        let of = JudgementOf::numbered(part, judgement);
        judgement = inputs(connection, part)?.iter().find_map(StoredInput::continued_judgement).unwrap_or(0);
        let steps = steps(connection, of)?;
        let cut_off = steps.last().filter(|last| last.name == step.name && last.left.as_deref() == Some(INTERRUPTED));
        let Some(cut_off) = cut_off.filter(|_| step.left.as_deref() == Some(INTERRUPTED)) else { break };
        let is_of = |number: i64| number == cut_off.number;
        let count = |rows: usize| u32::try_from(rows).unwrap_or(u32::MAX);
        found.excursions += count(excursions(connection, of)?.iter().filter(|row| is_of(row.step)).count());
        let dropouts = dropouts(connection, of)?;
        let groups = dropouts.iter().filter(|row| is_of(row.step)).map(|row| row.number).max().unwrap_or(0);
        found.dropouts += u32::try_from(groups).unwrap_or(u32::MAX);
        let bad = responses(connection, of)?;
        let bad = bad.iter().filter(|row| is_of(row.step) && row.verdict == Some(Verdict::OutOfLimit));
        found.bad_responses += count(bad.count());
    }
    Ok(found)
}

fn judged(connection: &Connection, session: i64, step: &StepRow) -> Result<Option<PreviousJudgement>, StoreError> {
    let Some((capture, channel)) = step.capture.as_ref().and_then(|capture| Some((capture, capture.channel.clone()?)))
    else {
        return Ok(None);
    };
    let written = connection
        .prepare_cached("SELECT scale, accuracy FROM channel WHERE session = ?1 AND name = ?2 AND quantity = ?3")?
        .query_row((session, &channel, capture.quantity.map(Quantity::word)), |row| {
            Ok((parsed(row, 0)?, parsed(row, 1)?))
        })
        .optional()?;
    let (scale, accuracy) = written.unwrap_or((None, None));
    let scale = scale.unwrap_or(Scale::NONE);
    let record = JudgementRecord {
        verdict: capture.verdict,
        value: capture.value.map(Value::Number).or(capture.beyond.map(Value::from)),
        measured: capture.measured,
        measured_u: capture.measured_u,
        digit: capture.digit,
        answer: capture.answer,
        quantity: capture.quantity,
        unit: capture.unit.clone(),
        u: capture.u,
        limit_low: step.limit_low,
        limit_high: step.limit_high,
        conformity: None,
        reason: capture.reason.clone(),
    };
    // A row of another program may hold what no judgement can say: nothing follows from it.
    let judgement = Judgement::try_from(record).ok();
    Ok(judgement.map(|judgement| PreviousJudgement { judgement, how: capture.how, channel, scale, accuracy }))
}

/// A value in a text column; none where the text is empty.
fn parsed<T>(row: &Row, column: usize) -> rusqlite::Result<Option<T>>
where
    T: FromStr<Err: Error + Send + Sync + 'static>,
{
    let text: String = row.get(column)?;
    let wrong = |error| rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error));
    if text.is_empty() { Ok(None) } else { text.parse().map(Some).map_err(wrong) }
}
