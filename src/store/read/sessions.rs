//! Which sessions there are.

use std::collections::HashSet;

use rusqlite::{Connection, Row};

use crate::store::StoreError;

/// One row of the table `session`, and its counts.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SessionRow {
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
    /// uuid of the session that it goes on with.
    pub continues: Option<String>,
    /// In the operator's words.
    pub machine: String,
    /// In the operator's words.
    pub job: String,
    /// Vehicle identification or serial number; empty where not told.
    pub vin: String,
    /// Odometer or hour meter as read; empty where not told.
    pub counter: String,
    /// What the customer complains of; empty where not told.
    pub complaint: String,
    /// Temperature of the place, °C.
    pub ambient_celsius: Option<f64>,
    /// Temperature of the part under test, °C.
    pub part_celsius: Option<f64>,
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
    /// Steps that are out of limit, the last attempt of each.
    pub outside: i64,
}

impl SessionRow {
    /// Samples stored.
    pub(crate) fn samples(&self) -> i64 {
        self.last_row - self.first_row + 1
    }

    /// Whether this text, in small letters, stands in what was told of the visit.
    fn tells(&self, wanted: &str) -> bool {
        let told = [&self.machine, &self.job, &self.vin, &self.counter, &self.complaint];
        let mut told = told.into_iter().chain(&self.procedure);
        told.any(|text| text.to_lowercase().contains(wanted))
    }
}

const SELECT: &str = "SELECT id, uuid, began_utc, began_utc_us, ended_us, ended_how, machine, job, procedure_title, program,
        first_row, COALESCE(last_row, (SELECT COALESCE(MAX(rowid), 0) FROM sample)),
        (SELECT COUNT(*) FROM step WHERE step.session = session.id),
        (SELECT COUNT(*) FROM step WHERE step.session = session.id AND verdict = 'out of limit'
            AND number = (SELECT MAX(number) FROM step AS other WHERE other.session = session.id AND other.name = step.name)),
        vin, counter, complaint, ambient_c, part_c, continues
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
        vin: row.get(14)?,
        counter: row.get(15)?,
        complaint: row.get(16)?,
        ambient_celsius: row.get(17)?,
        part_celsius: row.get(18)?,
        continues: row.get(19)?,
    })
}

/// All sessions, oldest first.
pub(crate) fn list(connection: &Connection) -> Result<Vec<SessionRow>, StoreError> {
    let mut statement = connection.prepare(&format!("{SELECT} ORDER BY id"))?;
    let rows = statement.query_map([], row)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
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
    sessions.retain(|session| noted_in.contains(&session.id) || session.tells(&wanted));
    Ok(sessions)
}

/// The session of a number, of the beginning of an identity, or `last`.
pub(crate) fn find(connection: &Connection, wanted: &str) -> Result<SessionRow, StoreError> {
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
    fn a_session_is_found_by_what_was_told_of_it() {
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
        assert_eq!((session.vin.as_str(), session.counter.as_str()), ("1M8GDM9AXKP042788", "4211 h"));
        assert_eq!((session.complaint.as_str(), session.part_celsius), ("lift drops when hot", Some(63.0)));
        assert_eq!(session.ambient_celsius, None);
    }
}
