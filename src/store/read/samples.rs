//! The samples of a session, one at a time: memory use does not depend on the length of the session.

use rusqlite::Connection;
use serde::{Deserialize, Serialize};

use super::{JudgementOf, SessionRow, steps};
use crate::{
    session::{RangeEnd, Verdict},
    store::{SampleRow, StoreError, record::records, stored_value::sample_range_end},
    units::Quantity,
};

/// One row of the table `channel`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ChannelRow {
    /// channel.id
    #[serde(skip_serializing)]
    pub id: i64,
    /// Named place in the circuit.
    pub name: String,
    /// What was measured.
    pub quantity: Quantity,
    /// Unit of its values.
    pub unit: String,
    /// Which meter.
    pub meter: String,
    /// Which value of the meter's frame it is.
    #[serde(skip_serializing)]
    pub reads: String,
    /// Clamp or divider as written in the bench file; empty without one.
    pub scale: String,
    /// Accuracy as written in the bench file; empty without one.
    pub accuracy: String,
}

impl ChannelRow {
    /// Whether it is half of a receiver's position: drawn as a track, and no figure.
    pub(crate) fn is_position(&self) -> bool {
        self.quantity == Quantity::Angle && ["latitude", "longitude"].contains(&self.reads.as_str())
    }
}

/// One sample with the step that it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct StoredSample<'a> {
    /// µs since the session began.
    pub time_us: i64,
    /// Number and name of the step; none where no step was on.
    pub step: Option<(i64, &'a str)>,
    /// Where.
    pub channel: &'a ChannelRow,
    /// None when beyond the meter's range.
    pub value: Option<f64>,
    /// Whether it was beyond the range.
    pub beyond: Option<RangeEnd>,
    /// Against the step's limit.
    pub verdict: Option<Verdict>,
}

/// The channels of a session.
pub(crate) fn channels(connection: &Connection, session: i64) -> Result<Vec<ChannelRow>, StoreError> {
    records(connection, "SELECT * FROM channel WHERE session = ?1 ORDER BY id", [session])
}

/// How many samples there are.
pub(crate) fn sample_count(session: &SessionRow) -> u64 {
    u64::try_from(session.samples).unwrap_or(0)
}

/// A stretch of a session, µs since it began; both ends belong to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TimeStretch {
    /// From when.
    pub from_us: i64,
    /// To when.
    pub to_us: i64,
}

impl TimeStretch {
    /// All of a session.
    pub(crate) const ALL: Self = Self { from_us: i64::MIN, to_us: i64::MAX };

    /// Something that lasted from one time to another, with so much before and after it.
    pub(crate) fn around(began_us: i64, ended_us: i64, margin_us: i64) -> Self {
        Self { from_us: began_us.saturating_sub(margin_us), to_us: ended_us.saturating_add(margin_us) }
    }

    /// Whether a time lies in it, µs.
    pub(crate) fn holds(self, at_us: i64) -> bool {
        (self.from_us..=self.to_us).contains(&at_us)
    }
}

/// Calls `each` for every sample of a stretch in the order of arrival, until it fails.
pub(crate) fn for_each_sample<E: From<StoreError>>(
    connection: &Connection,
    session: &SessionRow,
    stretch: TimeStretch,
    mut each: impl FnMut(&StoredSample) -> Result<(), E>,
) -> Result<(), E> {
    let channels = channels(connection, session.id)?;
    // Which samples belong to a step, and their verdicts, are those of the first record.
    let steps = steps(connection, JudgementOf::first(session.id))?;
    let sql = "SELECT rowid, time_us, channel, value, state, verdict FROM sample
               WHERE rowid BETWEEN ?1 AND ?2 AND time_us BETWEEN ?3 AND ?4 ORDER BY rowid";
    let refused = StoreError::from;
    let mut statement = connection.prepare(sql).map_err(refused)?;
    let mut rows =
        statement.query([session.first_row, session.last_row, stretch.from_us, stretch.to_us]).map_err(refused)?;
    let mut step = 0;
    while let Some(row) = rows.next().map_err(refused)? {
        let stored = SampleColumns::read(row).map_err(refused)?;
        // Steps and samples are both in order: the right step is never behind.
        while steps.get(step).is_some_and(|step| step.last_row.is_some_and(|last| last < stored.rowid)) {
            step += 1;
        }
        let on = steps.get(step).filter(|step| step.first_row <= stored.rowid);
        let Ok(index) = channels.binary_search_by_key(&stored.channel, |channel| channel.id) else { continue };
        each(&StoredSample {
            time_us: stored.time_us,
            step: on.map(|step| (step.number, step.name.as_str())),
            channel: &channels[index],
            value: stored.value,
            beyond: sample_range_end(stored.state.unwrap_or(0)).filter(|_| stored.value.is_none()),
            verdict: stored.verdict.and_then(Verdict::from_code),
        })?;
    }
    Ok(())
}

/// How many samples have rowids in this range.
pub(crate) fn row_count(connection: &Connection, first: i64, last: i64) -> Result<i64, StoreError> {
    let sql = "SELECT COUNT(*) FROM sample WHERE rowid BETWEEN ?1 AND ?2";
    Ok(connection.prepare_cached(sql)?.query_row([first, last], |row| row.get(0))?)
}

/// The next samples of a session with their rowids, in order; empty at the end.
pub(crate) fn sample_rows(
    connection: &Connection,
    first: i64,
    last: i64,
    most: i64,
) -> Result<Vec<(i64, SampleRow)>, StoreError> {
    let sql = "SELECT rowid, time_us, channel, value, place, state, verdict FROM sample
               WHERE rowid BETWEEN ?1 AND ?2 ORDER BY rowid LIMIT ?3";
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map([first, last, most], |row| {
        let sample = SampleRow {
            time_us: row.get(1)?,
            channel: row.get(2)?,
            value: row.get(3)?,
            decade: row.get(4)?,
            state: row.get::<_, Option<i64>>(5)?.unwrap_or(0),
            verdict: row.get::<_, Option<i64>>(6)?.and_then(Verdict::from_code),
        };
        Ok((row.get(0)?, sample))
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Read by index: this is the one read that millions of rows go through.
struct SampleColumns {
    rowid: i64,
    time_us: i64,
    channel: i64,
    value: Option<f64>,
    state: Option<i64>,
    verdict: Option<i64>,
}

impl SampleColumns {
    fn read(row: &rusqlite::Row) -> rusqlite::Result<Self> {
        Ok(Self {
            rowid: row.get(0)?,
            time_us: row.get(1)?,
            channel: row.get(2)?,
            value: row.get(3)?,
            state: row.get(4)?,
            verdict: row.get(5)?,
        })
    }
}
