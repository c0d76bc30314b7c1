//! What is kept: the database, read by bare SQLite as anyone can.

use std::path::Path;

use rusqlite::{Connection, OpenFlags, types::ValueRef};

use super::until;

pub(crate) struct Kept(Connection);

impl Kept {
    pub(crate) fn open(database: &Path) -> Self {
        Self(Connection::open_with_flags(database, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap())
    }

    /// The rows that a query gives, the cells of each parted by ` | `; NULL is `-`.
    pub(crate) fn rows(&self, sql: &str) -> Vec<String> {
        let mut statement = self.0.prepare(sql).unwrap_or_else(|error| panic!("{sql}: {error}"));
        let columns = statement.column_count();
        let row = |row: &rusqlite::Row| {
            let cells = (0..columns).map(|column| match row.get_ref(column).unwrap() {
                ValueRef::Null => "-".to_owned(),
                ValueRef::Integer(number) => number.to_string(),
                ValueRef::Real(number) => number.to_string(),
                ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
                ValueRef::Blob(bytes) => format!("{} bytes", bytes.len()),
            });
            Ok(cells.collect::<Vec<_>>().join(" | "))
        };
        statement.query_map([], row).unwrap().map(Result::unwrap).collect()
    }

    /// The one number that a query gives.
    pub(crate) fn number(&self, sql: &str) -> i64 {
        self.0.query_row(sql, [], |row| row.get(0)).unwrap_or_else(|error| panic!("{sql}: {error}"))
    }

    /// Waits until a query gives these rows.
    pub(crate) fn until(&self, sql: &str, expected: &[&str]) {
        until(sql, || {
            let rows = self.rows(sql);
            if rows == expected { Ok(()) } else { Err(rows) }
        });
    }

    pub(crate) fn assert_sound(&self) {
        assert_eq!(self.rows("PRAGMA integrity_check"), ["ok"]);
        assert_eq!(self.rows("PRAGMA foreign_key_check"), [""; 0]);
    }
}
