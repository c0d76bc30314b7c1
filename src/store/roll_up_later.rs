//! Rolls up and hashes a session that was recorded by an older bayline, or moved to a new file: once, before its first plot.

use std::{
    path::Path,
    sync::{Mutex, PoisonError},
};

use rusqlite::{Connection, TransactionBehavior};

use super::{
    StoreError,
    open::open_to_amend,
    read::{SessionRow, sample_rows},
    rollup::{EVERY_US, RollUp, RollUpWriter},
    sample_hash::{SampleHasher, is_hashed},
};

/// Fewer samples are read faster than they are rolled up.
const FEW: i64 = 100_000;
/// So many at the end of a session may not be rolled up: the last seconds before it was cut off.
const TAIL: i64 = 1_000_000;
/// So many samples a transaction: a daemon that records waits for a fraction of a second.
const PART: i64 = 100_000;

/// One after the other within a program: two would do the same work.
static BUSY: Mutex<()> = Mutex::new(());

/// Rolls up and hashes a session that has ended, where that was not done as it was recorded. Returns how many samples that were; none where
/// there was nothing to do.
///
/// # Errors
/// The database can't be written. Plots are right all the same, only slow.
pub(crate) fn roll_up_later(connection: &Connection, session: &SessionRow) -> Result<Option<i64>, StoreError> {
    if !is_to_be_rolled_up(connection, session)? {
        return Ok(None);
    }
    let Some(path) = connection.path().map(str::to_owned) else { return Ok(None) };
    let _one = BUSY.lock().unwrap_or_else(PoisonError::into_inner);
    let mut connection = open_to_amend(Path::new(&path))?;
    if is_rolled_up(&connection, session)? && is_hashed(&connection, session, TAIL)? {
        return Ok(None);
    }
    let own = "channel IN (SELECT id FROM channel WHERE session = ?1)";
    connection.execute(&format!("DELETE FROM rollup WHERE {own}"), [session.id])?;
    let (mut rollups, mut hashes) = (RollUpWriter::default(), SampleHasher::default());
    let mut first = session.first_row;
    while first <= session.last_row {
        let last = (first + PART - 1).min(session.last_row);
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for (row, sample) in sample_rows(&transaction, first, last, PART)? {
            rollups.push(sample.channel, RollUp::of(sample.time_us, sample.value, row));
            hashes.push(&sample, row);
        }
        hashes.write(&transaction, session.id)?;
        match last == session.last_row {
            true => rollups.finish(&transaction)?,
            false => rollups.write(&transaction)?,
        }
        transaction.commit()?;
        first = last + 1;
    }
    Ok(Some(session.samples))
}

/// Whether [`roll_up_later`] has something to do: its first plot takes a while.
///
/// # Errors
/// The database can't be read.
pub(crate) fn is_to_be_rolled_up(connection: &Connection, session: &SessionRow) -> Result<bool, StoreError> {
    Ok(session.ended_us.is_some()
        && session.samples >= FEW
        && !(is_rolled_up(connection, session)? && is_hashed(connection, session, TAIL)?))
}

/// Whether roll-ups reach to the end of the session, but for what may be missing there.
fn is_rolled_up(connection: &Connection, session: &SessionRow) -> Result<bool, StoreError> {
    let sql = "SELECT MAX((SELECT last_row FROM rollup WHERE channel = channel.id AND width_us = ?2 ORDER BY start_us DESC LIMIT 1))
               FROM channel WHERE session = ?1";
    let last: Option<i64> = connection.query_row(sql, (session.id, EVERY_US), |row| row.get(0))?;
    Ok(last.is_some_and(|last| session.last_row - last <= TAIL))
}
