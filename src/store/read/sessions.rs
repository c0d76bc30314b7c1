//! Which sessions there are.

use rusqlite::{Connection, Row};

use crate::store::StoreError;

/// One row of the table `session`, and its counts.
#[derive(Debug, Clone, PartialEq)]
pub struct SessionRow {
    /// Number on this database.
    pub id: i64,
    /// Identity for ever.
    pub uuid: String,
    /// RFC 3339, UTC.
    pub began_utc: String,
    /// The same, µs since 1970.
    pub began_utc_us: i64,
    /// µs since it began; none while it is open.
    pub ended_us: Option<i64>,
    /// ended, stopped, replaced or interrupted; none while it is open.
    pub ended_how: Option<String>,
    /// In the operator's words.
    pub machine: String,
    /// In the operator's words.
    pub job: String,
    /// None when free-running.
    pub procedure: Option<String>,
    /// The version that recorded it.
    pub program: String,
    /// Rowid of its first sample.
    pub first_row: i64,
    /// Rowid of its last sample; the newest row so far while it is open.
    pub last_row: i64,
    /// Steps begun.
    pub steps: i64,
    /// Steps whose verdict is `outside`, the last attempt of each.
    pub outside: i64,
}

impl SessionRow {
    /// Samples stored.
    pub fn samples(&self) -> i64 {
        self.last_row - self.first_row + 1
    }
}

const SELECT: &str = "SELECT id, uuid, began_utc, began_utc_us, ended_us, ended_how, machine, job, procedure_title, program,
        first_row, COALESCE(last_row, (SELECT COALESCE(MAX(rowid), 0) FROM sample)),
        (SELECT COUNT(*) FROM step WHERE step.session = session.id),
        (SELECT COUNT(*) FROM step WHERE step.session = session.id AND verdict = 'outside'
            AND number = (SELECT MAX(number) FROM step AS other WHERE other.session = session.id AND other.name = step.name))
    FROM session";

fn row(row: &Row) -> rusqlite::Result<SessionRow> {
    Ok(SessionRow {
        id: row.get(0)?,
        uuid: row.get(1)?,
        began_utc: row.get(2)?,
        began_utc_us: row.get(3)?,
        ended_us: row.get(4)?,
        ended_how: row.get(5)?,
        machine: row.get(6)?,
        job: row.get(7)?,
        procedure: row.get(8)?,
        program: row.get(9)?,
        first_row: row.get(10)?,
        last_row: row.get(11)?,
        steps: row.get(12)?,
        outside: row.get(13)?,
    })
}

/// All sessions, oldest first.
pub fn list(connection: &Connection) -> Result<Vec<SessionRow>, StoreError> {
    let mut statement = connection.prepare(&format!("{SELECT} ORDER BY id"))?;
    let rows = statement.query_map([], row)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// The session of a number, of the beginning of an identity, or `last`.
pub fn find(connection: &Connection, wanted: &str) -> Result<SessionRow, StoreError> {
    let missing = || StoreError::NoSession { wanted: wanted.to_owned() };
    let found = match (wanted, wanted.parse::<i64>()) {
        ("last", _) => connection.query_row(&format!("{SELECT} ORDER BY id DESC LIMIT 1"), [], row),
        (_, Ok(id)) => connection.query_row(&format!("{SELECT} WHERE id = ?1"), [id], row),
        // Eight characters of an identity tell sessions apart that began minutes from each other.
        (uuid, Err(_)) if uuid.len() >= 8 => {
            connection.query_row(&format!("{SELECT} WHERE substr(uuid, 1, length(?1)) = lower(?1)"), [uuid], row)
        }
        _ => return Err(missing()),
    };
    match found {
        Err(rusqlite::Error::QueryReturnedNoRows) => Err(missing()),
        found => Ok(found?),
    }
}
