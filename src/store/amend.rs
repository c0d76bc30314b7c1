//! Adds to sessions that have ended: corrections and judgements, each amendment in one transaction.

use std::path::Path;

use rusqlite::{Connection, TransactionBehavior, params};

use super::{
    JudgementDraft, StoreError,
    open::open_to_amend,
    read::{JudgementRow, SessionRow},
    record::columns,
    rows::corrected,
};
use crate::session::{Correction, Visit};

/// What is added to a session.
#[derive(Debug)]
pub(crate) struct Amendment {
    /// When, µs since the session began.
    pub at_us: i64,
    /// Who does it.
    pub by: String,
    /// The visit as it is right afterwards.
    pub visit: Visit,
    /// What is corrected.
    pub new: Vec<Correction>,
    /// correction.id of the one that is undone.
    pub undone: Option<i64>,
    /// The judgement that is in force afterwards.
    pub judgement: Option<(JudgementDraft, JudgementRow)>,
    /// Whether the first record is in force afterwards.
    pub is_first_record: bool,
}

/// Writes all of an amendment, or nothing. Returns the number of its judgement.
///
/// # Errors
/// The database can't be opened or written.
pub(crate) fn amend(path: &Path, session: &SessionRow, amendment: &Amendment) -> Result<Option<i64>, StoreError> {
    let mut connection = open_to_amend(path)?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let Amendment { at_us, by, visit, new, undone, judgement, is_first_record } = amendment;
    for correction in new {
        corrected(&transaction, session.id, *at_us, correction)?;
    }
    if let Some(id) = undone {
        let sql = "UPDATE correction SET undone_us = ?2, undone_by = ?3 WHERE id = ?1";
        transaction.execute(sql, params![id, at_us, by])?;
    }
    put_visit(&transaction, session.id, visit)?;
    if *is_first_record {
        transaction.execute("UPDATE session SET judgement = 0 WHERE id = ?1", [session.id])?;
    }
    let number = match judgement {
        Some((draft, row)) => Some(draft.insert(&transaction, row)?),
        None => None,
    };
    transaction.commit()?;
    Ok(number)
}

fn put_visit(connection: &Connection, session: i64, visit: &Visit) -> rusqlite::Result<()> {
    for (name, value) in columns(visit)? {
        connection.execute(&format!("UPDATE session SET {name} = ?2 WHERE id = ?1"), params![session, value])?;
    }
    Ok(())
}
