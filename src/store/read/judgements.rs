//! The judgements of a session beside its first record.

use rusqlite::{Connection, OptionalExtension, named_params};
use serde::{Deserialize, Serialize};

use super::SessionRow;
use crate::store::{
    StoreError,
    record::{from_row, records},
};

/// One row of the table `judgement`: what it is by, beside its steps, captures, figures and findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct JudgementRow {
    /// session.id
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub session: Option<i64>,
    /// Counted from 1 over the session.
    pub number: i64,
    /// When it was made, µs since the session began.
    pub at_us: i64,
    /// Who made it; empty where not given.
    pub made_by: String,
    /// What it was judged by; none when free-running.
    pub procedure_title: Option<String>,
    /// The procedure file that it was judged by, where it is another one.
    pub procedure_text: Option<String>,
    /// How many corrections it takes into account.
    pub corrections: i64,
    /// The version of bayline that made it.
    pub program: String,
}

/// The judgement of this number; none for the first record.
pub(crate) fn judgement(
    connection: &Connection,
    session: i64,
    number: i64,
) -> Result<Option<JudgementRow>, StoreError> {
    let sql = "SELECT * FROM judgement WHERE session = :session AND number = :number";
    let mut statement = connection.prepare(sql)?;
    Ok(statement.query_row(named_params! { ":session": session, ":number": number }, from_row).optional()?)
}

/// All judgements of a session beside its first record, oldest first.
pub(crate) fn judgements(connection: &Connection, session: i64) -> Result<Vec<JudgementRow>, StoreError> {
    records(connection, "SELECT * FROM judgement WHERE session = ?1 ORDER BY number", [session])
}

/// The number of the one in force; 0 for the first record.
pub(crate) fn judgement_in_force(connection: &Connection, session: i64) -> Result<i64, StoreError> {
    Ok(connection.query_row("SELECT judgement FROM session WHERE id = ?1", [session], |row| row.get(0))?)
}

/// A session as another judgement than the one in force has it.
///
/// # Errors
/// It has no such judgement.
pub(crate) fn by_judgement(
    connection: &Connection,
    mut session: SessionRow,
    number: i64,
) -> Result<SessionRow, StoreError> {
    if number != 0 && judgement(connection, session.id, number)?.is_none() {
        return Err(StoreError::NoJudgement { id: session.id, number });
    }
    session.judgement = number;
    session.outside = super::sessions::steps_outside(connection, session.id, number)?;
    Ok(session)
}
