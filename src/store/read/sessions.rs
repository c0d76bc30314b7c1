//! Which sessions there are.

use std::collections::HashSet;

use rusqlite::{Connection, types::Value};
use serde::{Deserialize, Serialize};

use super::seconds;
use crate::{
    session::Visit,
    store::{
        StoreError,
        record::{columns, from_row, records},
    },
};

/// One row of the table `session`, and its counts; in JSON with the same names where no other stands there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct SessionRow {
    /// Number on this database.
    #[serde(rename = "number", alias = "id")]
    pub id: i64,
    /// Its identity, the same in every copy of the database.
    pub uuid: String,
    /// RFC 3339, UTC.
    pub began_utc: String,
    /// The same, µs since 1970.
    #[serde(skip_serializing)]
    pub began_utc_us: i64,
    /// How long it was, none while it is open: µs in the row, s in JSON.
    #[serde(rename = "duration_s", alias = "ended_us", serialize_with = "seconds::or_none")]
    #[schema(value_type = Option<f64>)]
    pub ended_us: Option<i64>,
    /// ended, stopped, replaced or interrupted; none while it is open.
    pub ended_how: Option<String>,
    /// Which machine, and why it was here.
    #[serde(flatten)]
    pub visit: Visit,
    /// Title of the procedure; none when free-running.
    #[serde(rename(deserialize = "procedure_title"))]
    pub procedure: Option<String>,
    /// uuid of the session that it goes on with.
    pub continues: Option<String>,
    /// uuid of the session whose steps it does again after the work.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retests: Option<String>,
    /// The version that recorded it.
    pub program: String,
    /// Samples stored.
    pub samples: i64,
    /// Steps begun, each once however often it was repeated.
    pub steps: i64,
    /// Steps that are out of limit, by the last attempt of each that was decided.
    pub outside: i64,
    /// The judgement in force; 0 for the first record.
    pub judgement: i64,
    /// Rowid of its first sample.
    #[serde(skip_serializing)]
    pub first_row: i64,
    /// Rowid of its last sample; the newest row so far while it is open.
    #[serde(skip_serializing, rename(deserialize = "newest_row"))]
    pub last_row: i64,
}

impl SessionRow {
    /// Whether this text, in small letters, stands in what is known of the visit or in the procedure's title.
    fn mentions(&self, wanted: &str) -> bool {
        let visit = columns(&self.visit).unwrap_or_default();
        let texts = visit.iter().filter_map(|(_, value)| match value {
            Value::Text(text) => Some(text),
            _ => None,
        });
        texts.chain(&self.procedure).any(|text| text.to_lowercase().contains(wanted))
    }
}

const SELECT: &str = "SELECT *, newest_row - first_row + 1 AS samples FROM (
        SELECT session.*, COALESCE(last_row, (SELECT COALESCE(MAX(rowid), 0) FROM sample)) AS newest_row,
            (SELECT COUNT(DISTINCT name) FROM step WHERE step.session = session.id AND step.judgement = session.judgement) AS steps,
            (SELECT COUNT(*) FROM step WHERE step.session = session.id AND step.judgement = session.judgement
                AND verdict = 'out of limit' AND number = (SELECT MAX(number) FROM step AS other
                    WHERE other.session = session.id AND other.judgement = session.judgement AND other.name = step.name
                    AND other.verdict IN ('in limit', 'out of limit', 'too close to call'))) AS outside
        FROM session)";

/// The sessions of machines that are known to be good, oldest first.
pub(crate) fn good_sessions(connection: &Connection) -> Result<Vec<SessionRow>, StoreError> {
    let good = "id IN (SELECT session FROM correction AS one WHERE field = 'good' AND value_after = 'yes' AND undone_us IS NULL
                 AND NOT EXISTS (SELECT 1 FROM correction AS later WHERE later.session = one.session AND later.field = 'good'
                    AND later.undone_us IS NULL AND later.id > one.id))";
    records(connection, &format!("{SELECT} WHERE {good} ORDER BY id"), [])
}

/// How many steps are out of limit by a judgement, the last attempt of each.
pub(super) fn steps_outside(connection: &Connection, session: i64, judgement: i64) -> Result<i64, StoreError> {
    let sql =
        "SELECT COUNT(*) FROM step WHERE session = ?1 AND judgement = ?2 AND verdict = 'out of limit' AND number =
                (SELECT MAX(number) FROM step AS other
                    WHERE other.session = ?1 AND other.judgement = ?2 AND other.name = step.name
                        AND other.verdict IN ('in limit', 'out of limit', 'too close to call'))";
    Ok(connection.query_row(sql, [session, judgement], |row| row.get(0))?)
}

/// All sessions, oldest first.
pub(crate) fn list(connection: &Connection) -> Result<Vec<SessionRow>, StoreError> {
    records(connection, &format!("{SELECT} ORDER BY id"), [])
}

/// The sessions in which this text stands, in any case of its letters, oldest first: in machine, job, number,
/// counter, complaint, the procedure's title, or a note or mark.
///
/// Compared here and not by SQL, which knows the cases of ASCII letters alone.
pub(crate) fn find_text(connection: &Connection, text: &str) -> Result<Vec<SessionRow>, StoreError> {
    let wanted = text.trim().to_lowercase();
    let mut statement = connection.prepare("SELECT session, text FROM event WHERE kind IN ('note', 'mark')")?;
    let noted = statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))?;
    let mut noted_in = HashSet::new();
    for note in noted {
        let (session, text) = note?;
        if text.to_lowercase().contains(&wanted) {
            noted_in.insert(session);
        }
    }
    let mut sessions = list(connection)?;
    sessions.retain(|session| noted_in.contains(&session.id) || session.mentions(&wanted));
    Ok(sessions)
}

/// The bench file of a session as it was; empty without one.
pub(crate) fn bench_text(connection: &Connection, session: i64) -> Result<String, StoreError> {
    Ok(connection.query_row("SELECT bench_text FROM session WHERE id = ?1", [session], |row| row.get(0))?)
}

/// The procedure file of a session as it was; none when free-running.
pub(crate) fn procedure_text(connection: &Connection, session: i64) -> Result<Option<String>, StoreError> {
    Ok(connection.query_row("SELECT procedure_text FROM session WHERE id = ?1", [session], |row| row.get(0))?)
}

/// The session of a number, of the beginning of an identity, or `last`.
pub(crate) fn find(connection: &Connection, wanted: &str) -> Result<SessionRow, StoreError> {
    let missing = || StoreError::NoSession { wanted: wanted.to_owned() };
    let found = match (wanted, wanted.parse::<i64>()) {
        ("last", _) => connection.query_row(&format!("{SELECT} ORDER BY id DESC LIMIT 1"), [], from_row),
        (_, Ok(id)) => connection.query_row(&format!("{SELECT} WHERE id = ?1"), [id], from_row),
        // Eight characters of an identity differ between sessions that began minutes from each other.
        (uuid, Err(_)) if uuid.len() >= 8 => {
            connection.query_row(&format!("{SELECT} WHERE substr(uuid, 1, length(?1)) = lower(?1)"), [uuid], from_row)
        }
        _ => return Err(missing()),
    };
    match found {
        Err(rusqlite::Error::QueryReturnedNoRows) if wanted == "last" => Err(StoreError::NoneYet),
        Err(rusqlite::Error::QueryReturnedNoRows) => Err(missing()),
        found => Ok(found?),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn database() -> Connection {
        let connection = Connection::open_in_memory().unwrap();
        connection.execute_batch(include_str!("../schema.sql")).unwrap();
        let visits = [
            ("Radlader Süd", "A-113", "1M8GDM9AXKP042788", "4211 h", "lift drops when hot", "Valve coils"),
            ("loader 7", "A-114", "", "88120 km", "", "Charging system, 12 V"),
        ];
        for (number, (machine, job, vin, counter, complaint, title)) in (1..).zip(visits) {
            connection
                .execute(
                    "INSERT INTO session (id, uuid, began_utc, began_utc_us, machine, job, vin, counter, complaint, part_c,
                        procedure_title, bench_text, program, first_row)
                     VALUES (?1, 'u' || ?1, '2026-01-01T00:00:00Z', 0, ?2, ?3, ?4, ?5, ?6, 63.0, ?7, '', '0', 1)",
                    rusqlite::params![number, machine, job, vin, counter, complaint, title],
                )
                .unwrap();
        }
        let events = [
            (1, "note", "Oil on the plug"),
            (2, "announced", "oil announced to the operator"),
            (2, "mark", "Bremse gelöst"),
        ];
        for (session, kind, text) in events {
            let insert = "INSERT INTO event (session, at_us, kind, subject, text) VALUES (?1, 0, ?2, '', ?3)";
            connection.execute(insert, rusqlite::params![session, kind, text]).unwrap();
        }
        connection
    }

    #[test]
    fn a_session_is_found_by_its_visit_and_notes() {
        let database = database();
        for (text, expected) in [
            ("SÜD", &[1][..]),
            ("a-11", &[1, 2]),
            ("axkp0427", &[1]),
            ("4211", &[1]),
            ("drops WHEN", &[1]),
            (" charging ", &[2]),
            ("oil", &[1]),
            ("GELÖST", &[2]),
            ("%", &[]),
            ("", &[1, 2]),
        ] {
            let found: Vec<i64> = find_text(&database, text).unwrap().iter().map(|session| session.id).collect();
            assert_eq!(found, expected, "{text}");
        }
    }

    #[test]
    fn the_visit_is_read_back() {
        let session = find(&database(), "1").unwrap();
        assert_eq!((session.visit.vin.as_str(), session.visit.counter.as_str()), ("1M8GDM9AXKP042788", "4211 h"));
        assert_eq!((session.visit.complaint.as_str(), session.visit.part_celsius), ("lift drops when hot", Some(63.0)));
        assert_eq!(session.visit.ambient_celsius, None);
    }
}
