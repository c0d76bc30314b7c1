//! Steps of which nothing is left, since all that was measured in them belongs to other ones: they stay in the ledger, as not measured.

use rusqlite::Connection;

use super::again::procedure_in_force;
use crate::{
    session::Verdict,
    store::{
        StoreError,
        read::{self, JudgementOf, SessionRow, StepRow, judgement},
    },
};

/// The number of a step that was not done: those of the ledger begin with 1.
const NOT_DONE: i64 = 0;

/// The steps of a session by the judgement that its row names, and among them, in their places in the procedure, those of the
/// first record that it has no more.
///
/// # Errors
/// The database can't be read.
pub(crate) fn steps_and_emptied(connection: &Connection, session: &SessionRow) -> Result<Vec<StepRow>, StoreError> {
    let mut steps = read::steps(connection, session)?;
    // Without a procedure a step that has another name is another step.
    let Some(row) = judgement(connection, session.id, session.judgement)?.filter(|_| session.procedure.is_some())
    else {
        return Ok(steps);
    };
    let other = row.procedure_text.and_then(|_| procedure_in_force(connection, session).ok().flatten());
    for mut step in read::steps(connection, JudgementOf::first(session.id))? {
        if steps.iter().any(|own| own.name == step.name) {
            continue;
        }
        if let Some(own) = other.iter().flat_map(|other| &other.steps).find(|own| own.name == step.name) {
            (step.limit_low, step.limit_high) = own.limit.map_or((None, None), |limit| (limit.low, limit.high));
            step.limit_text = own.relative.as_ref().map(ToString::to_string);
        }
        (step.number, step.attempt, step.capture) = (NOT_DONE, 1, None);
        step.verdict = Some(Verdict::NoReading);
        step.reason = Some("not measured: what was captured in it is filed under another step".to_owned());
        let place = steps.iter().position(|own| own.place > step.place).unwrap_or(steps.len());
        steps.insert(place, step);
    }
    Ok(steps)
}
