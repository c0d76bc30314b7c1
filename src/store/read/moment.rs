//! What all channels showed at one time, and how close together the samples of one are there.

use rusqlite::{Connection, OptionalExtension};

use super::{ChannelRow, SessionRow, rollup::first_open_row};
use crate::{
    protocol::Value,
    store::{StoreError, rollup::EVERY_US, sample_value},
};

/// What is older than this is not what a channel showed then, µs.
const STALE_US: i64 = 10_000_000;
/// So much time on each side tells how close together samples are, µs.
const NEAR_US: i64 = 2 * EVERY_US;

/// What each channel showed last at a time, in the order of the channels; none where it had shown nothing for a while.
pub(crate) fn shown_at(
    connection: &Connection,
    session: &SessionRow,
    channels: &[ChannelRow],
    at_us: i64,
) -> Result<Vec<Option<Value>>, StoreError> {
    let start = at_us.div_euclid(EVERY_US) * EVERY_US;
    let mut second = connection.prepare_cached(
        "SELECT MIN(first_row), MAX(last_row) FROM rollup
         WHERE channel IN (SELECT id FROM channel WHERE session = ?1) AND width_us = ?2 AND start_us = ?3",
    )?;
    let found: (Option<i64>, Option<i64>) =
        second.query_row((session.id, EVERY_US, start), |row| Ok((row.get(0)?, row.get(1)?)))?;
    let rows = match found.0.zip(found.1) {
        Some(rows) => rows,
        None => (first_open_row(connection, session)?, session.last_row),
    };
    let mut shown: Vec<Option<(i64, Value)>> = vec![None; channels.len()];
    let sql = "SELECT time_us, channel, value, state FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND time_us <= ?3 AND time_us > ?4
               ORDER BY rowid";
    let mut statement = connection.prepare_cached(sql)?;
    let mut samples = statement.query((rows.0, rows.1, at_us, at_us - STALE_US))?;
    while let Some(sample) = samples.next()? {
        let channel: i64 = sample.get(1)?;
        let Some(place) = channels.iter().position(|row| row.id == channel) else { continue };
        let Some(value) = sample_value(sample.get(2)?, sample.get::<_, Option<i64>>(3)?.unwrap_or(0)) else { continue };
        shown[place] = Some((sample.get(0)?, value));
    }
    // A slow meter showed nothing in this very second: its last value before it.
    let mut before = connection.prepare_cached(
        "SELECT last_us, last FROM rollup WHERE channel = ?1 AND width_us = ?2 AND start_us < ?3 ORDER BY start_us DESC LIMIT 1",
    )?;
    for (row, shown) in channels.iter().zip(&mut shown).filter(|(_, shown)| shown.is_none()) {
        let last = before.query_row((row.id, EVERY_US, start), |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        let last = last.and_then(|(at, value): (i64, Option<f64>)| Some((at, Value::Number(value?))));
        *shown = last.filter(|(at, _)| *at <= at_us && *at > at_us - STALE_US);
    }
    Ok(shown.into_iter().map(|shown| shown.map(|(_, value)| value)).collect())
}

/// About how long it is between two samples of a channel near a time, µs; none where there are not two.
pub(crate) fn interval_near(connection: &Connection, channel: i64, at_us: i64) -> Result<Option<i64>, StoreError> {
    let sql = "SELECT SUM(count), MIN(first_us), MAX(last_us) FROM rollup
               WHERE channel = ?1 AND width_us = ?2 AND start_us BETWEEN ?3 AND ?4";
    let mut statement = connection.prepare_cached(sql)?;
    let near: (Option<i64>, Option<i64>, Option<i64>) = statement
        .query_row((channel, EVERY_US, at_us - NEAR_US - EVERY_US, at_us + NEAR_US), |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })?;
    Ok(match near {
        (Some(count), Some(first), Some(last)) if count > 1 => Some((last - first) / (count - 1)),
        _ => None,
    })
}
