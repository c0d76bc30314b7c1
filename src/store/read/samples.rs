//! The samples of a session, one at a time: memory does not grow with the session.

use rusqlite::Connection;

use super::{SessionRow, steps};
use crate::{
    session::Verdict,
    store::{BEYOND_DOWN, BEYOND_UP, StoreError},
};

/// One row of the table `channel`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ChannelRow {
    /// channel.id
    pub id: i64,
    /// Named place in the circuit.
    pub name: String,
    /// What was measured.
    pub quantity: String,
    /// Unit of its values.
    pub unit: String,
    /// Which meter.
    pub meter: String,
}

/// One sample with the step that it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SampleOut<'a> {
    /// µs since the session began.
    pub time_us: i64,
    /// Number and name of the step; none where no step was on.
    pub step: Option<(i64, &'a str)>,
    /// Where.
    pub channel: &'a ChannelRow,
    /// None when beyond the meter's range.
    pub value: Option<f64>,
    /// Whether it was beyond the range.
    pub beyond: Option<Beyond>,
    /// Against the step's limit.
    pub verdict: Option<Verdict>,
}

/// Which side of the meter's range a value was beyond.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Beyond {
    /// Too much.
    Up,
    /// Too much the other way.
    Down,
}

/// The channels of a session.
pub(crate) fn channels(connection: &Connection, session: i64) -> Result<Vec<ChannelRow>, StoreError> {
    let mut statement =
        connection.prepare("SELECT id, name, quantity, unit, meter FROM channel WHERE session = ?1 ORDER BY id")?;
    let rows = statement.query_map([session], |row| {
        Ok(ChannelRow {
            id: row.get(0)?,
            name: row.get(1)?,
            quantity: row.get(2)?,
            unit: row.get(3)?,
            meter: row.get(4)?,
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// How many samples there are.
pub(crate) fn sample_count(session: &SessionRow) -> u64 {
    u64::try_from(session.samples()).unwrap_or(0)
}

/// Calls `each` for every sample in the order of arrival, until it fails.
pub(crate) fn for_each_sample<E: From<StoreError>>(
    connection: &Connection,
    session: &SessionRow,
    mut each: impl FnMut(&SampleOut) -> Result<(), E>,
) -> Result<(), E> {
    let channels = channels(connection, session.id)?;
    let steps = steps(connection, session.id)?;
    let sql = "SELECT rowid, time_us, channel, value, state, verdict FROM sample WHERE rowid BETWEEN ?1 AND ?2 ORDER BY rowid";
    let refused = StoreError::from;
    let mut statement = connection.prepare(sql).map_err(refused)?;
    let mut rows = statement.query([session.first_row, session.last_row]).map_err(refused)?;
    let mut step = 0;
    while let Some(row) = rows.next().map_err(refused)? {
        let stored = Stored::read(row).map_err(refused)?;
        // Steps and samples are both in order: the right step is never behind.
        while steps.get(step).is_some_and(|step| step.last_row.is_some_and(|last| last < stored.rowid)) {
            step += 1;
        }
        let on = steps.get(step).filter(|step| step.first_row <= stored.rowid);
        let Ok(index) = channels.binary_search_by_key(&stored.channel, |channel| channel.id) else { continue };
        each(&SampleOut {
            time_us: stored.time_us,
            step: on.map(|step| (step.number, step.name.as_str())),
            channel: &channels[index],
            value: stored.value,
            beyond: stored.beyond(),
            verdict: stored.verdict.and_then(Verdict::from_code),
        })?;
    }
    Ok(())
}

struct Stored {
    rowid: i64,
    time_us: i64,
    channel: i64,
    value: Option<f64>,
    state: Option<i64>,
    verdict: Option<i64>,
}

impl Stored {
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

    fn beyond(&self) -> Option<Beyond> {
        let state = self.state.unwrap_or(0);
        if state & BEYOND_UP != 0 {
            Some(Beyond::Up)
        } else if state & BEYOND_DOWN != 0 {
            Some(Beyond::Down)
        } else {
            None
        }
    }
}
