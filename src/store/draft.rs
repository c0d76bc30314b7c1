//! A judgement in the making: its rows stand in a database of their own until they are kept beside the first record, or
//! compared with it.

use rusqlite::{Connection, ToSql, params_from_iter, types::Value};

use super::{
    StoreError,
    interrupted::{INTERRUPTED, close_step},
    open::SCHEMA,
    read::{JudgementRow, SessionRow},
    record::insert_record,
    rows::RowWriter,
};
use crate::session::Record;

/// A judgement in the making.
#[derive(Debug)]
pub(crate) struct JudgementDraft {
    /// SQLite's own temporary database, which is on disk where it does not fit into memory.
    database: Connection,
    rows: RowWriter,
    session: i64,
    /// When and how the session ended, and its last sample.
    ended: (i64, bool, i64),
}

/// The tables of a judgement, by which columns their rows are ordered, and a column that replaces the key of a capture, which no two
/// judgements share, by the number of that capture.
const TABLES: [(&str, &str, &str); 9] = [
    ("capture", "id", "NULL"),
    (
        "step",
        "number",
        "(SELECT COUNT(*) FROM capture AS other WHERE other.session = step.session AND other.judgement = step.judgement
            AND other.id <= step.capture)",
    ),
    ("figure", "step, channel", "NULL"),
    ("finding", "rank", "NULL"),
    ("excursion", "step, number", "NULL"),
    ("dropout", "step, number, channel", "NULL"),
    ("change", "step, number", "NULL"),
    ("response", "step, number", "NULL"),
    ("waveform", "step, channel, quantity", "NULL"),
];

impl JudgementDraft {
    /// Of a session that has ended; `before` is the one that it continues, and where that is.
    pub(crate) fn new(
        source: &Connection,
        session: &SessionRow,
        before: Option<(&Connection, i64)>,
    ) -> Result<Self, StoreError> {
        // An empty name means a temporary database.
        let database = Connection::open("")?;
        database.execute_batch(SCHEMA)?;
        database.execute_batch("BEGIN")?;
        let is_cut_off = session.ended_how.as_deref() == Some(INTERRUPTED);
        for (table, what) in
            [("session", "id = ?1"), ("channel", "session = ?1"), ("input", "session = ?1 AND kind = 'bench'")]
        {
            copy_rows(source, &database, table, what, session.id, |_| {})?;
        }
        if let Some((file, before)) = before {
            copy_rows(file, &database, "session", "id = ?1", before, |_| {})?;
            copy_rows(file, &database, "capture", "session = ?1 AND how = 'worst'", before, |_| {})?;
            // Of its steps only the one that was cut off matters here.
            let cut_off =
                "session = ?1 AND left_how = 'interrupted' AND capture IN (SELECT id FROM capture WHERE how = 'worst')";
            copy_rows(file, &database, "step", cut_off, before, |_| {})?;
        }
        if is_cut_off {
            // The rowids of the samples are those of the session.
            let sql = "INSERT INTO sample (rowid, time_us, channel) VALUES (?1, 0, 0)";
            database.execute(sql, [session.first_row - 1])?;
        }
        let rows = RowWriter::of_session(session.id, session.first_row, is_cut_off);
        let ended = (session.ended_us.unwrap_or(0), is_cut_off, session.last_row);
        Ok(Self { database, rows, session: session.id, ended })
    }

    /// Writes one record, as far as it belongs to a judgement.
    pub(crate) fn apply(&mut self, record: &Record) -> Result<(), StoreError> {
        match record {
            Record::Channel(..)
            | Record::StepBegan(_)
            | Record::StepEnded(_)
            | Record::Captured(..)
            | Record::Findings { .. }
            | Record::Excursion(_)
            | Record::Intermittent(_)
            | Record::Change(_)
            | Record::Response(_)
            | Record::Samples(..) => Ok(self.rows.apply(&self.database, record)?),
            _ => Ok(()),
        }
    }

    /// The next sample has this rowid.
    pub(crate) fn go_on_at(&mut self, row: i64) {
        self.rows.go_on_at(row);
    }

    /// All has been written; closes the step in which the session was cut off.
    pub(crate) fn finish(&mut self) -> Result<(), StoreError> {
        self.rows.flush(&self.database)?;
        let (ended_us, is_cut_off, last_row) = self.ended;
        if is_cut_off {
            close_step(&self.database, self.session, ended_us, last_row)?;
        }
        Ok(())
    }

    /// The first difference to the first record, in words; none where every row is the same in every column. Steps with these
    /// names are not compared, nor figures and findings where there are any.
    pub(crate) fn difference(&self, source: &Connection, but: &[String]) -> Result<Option<String>, StoreError> {
        for (table, order, place) in TABLES {
            if !but.is_empty() && matches!(table, "figure" | "finding" | "waveform") {
                continue;
            }
            let read = |connection: &Connection| rows_of(connection, table, order, place, self.session, but);
            let (before, now) = (read(source)?, read(&self.database)?);
            // The findings of the last captures may not have been there yet as the session was cut off.
            let (_, is_cut_off, _) = self.ended;
            if is_cut_off && table == "finding" && ends_of(&before) != ends_of(&now) {
                continue;
            }
            for (number, (before, now)) in (1..).zip(before.iter().zip(&now)) {
                if let Some(found) = before.iter().zip(now).find(|(one, other)| one != other) {
                    let ((column, was), (_, is)) = found;
                    return Ok(Some(format!("{table} {number}: {column} is {}, was {}", cell(is), cell(was))));
                }
            }
            if before.len() != now.len() {
                return Ok(Some(format!("{} rows of {table}, were {}", now.len(), before.len())));
            }
        }
        Ok(None)
    }

    /// Inserts it beside the other judgements of the session, and puts it in force. Returns its number.
    pub(super) fn insert(&self, transaction: &Connection, row: &JudgementRow) -> Result<i64, StoreError> {
        let number: i64 = transaction.query_row(
            "SELECT COALESCE(MAX(number), 0) + 1 FROM judgement WHERE session = ?1",
            [self.session],
            |row| row.get(0),
        )?;
        let row = JudgementRow { session: Some(self.session), number, ..row.clone() };
        insert_record(transaction, "judgement", &row)?;
        let last: i64 = transaction.query_row("SELECT COALESCE(MAX(id), 0) FROM capture", [], |row| row.get(0))?;
        // The numbers of captures go on behind those that there are.
        let shifted = |cell: &mut Value| {
            if let Value::Integer(id) = cell {
                *id += last;
            }
        };
        for (table, ..) in TABLES {
            copy_rows(&self.database, transaction, table, "session = ?1 AND judgement = 0", self.session, |row| {
                for (column, cell) in row.iter_mut() {
                    match (table, column.as_str()) {
                        (_, "judgement") => *cell = Value::Integer(number),
                        ("capture", "id") | ("step", "capture") => shifted(cell),
                        // Its own number is given by the database.
                        ("step", "id") => *cell = Value::Null,
                        _ => {}
                    }
                }
            })?;
        }
        transaction.execute("UPDATE session SET judgement = ?2 WHERE id = ?1", [self.session, number])?;
        Ok(number)
    }
}

type Cells = Vec<(String, Value)>;

/// The capture at which findings end; none where there are none.
fn ends_of(findings: &[Cells]) -> Option<&Value> {
    findings.first()?.iter().find(|(column, _)| column == "ends_at").map(|(_, value)| value)
}

/// The cells of a row by the names of their columns: a migration adds columns at the end, where a new database may not have them.
fn cells(row: &rusqlite::Row) -> rusqlite::Result<Cells> {
    let names: Vec<String> = row.as_ref().column_names().map(str::to_owned).collect();
    let cells = names.into_iter().enumerate().map(|(index, name)| Ok((name, row.get(index)?)));
    let mut cells = cells.collect::<rusqlite::Result<Cells>>()?;
    cells.sort_by(|(one, _), (other, _)| one.cmp(other));
    Ok(cells)
}

/// The rows of a judgement's table without the numbers that tell it from another judgement.
fn rows_of(
    connection: &Connection,
    table: &str,
    order: &str,
    place: &str,
    session: i64,
    but: &[String],
) -> Result<Vec<Cells>, StoreError> {
    let sql = format!(
        "SELECT *, {place} AS capture_place FROM {table} WHERE session = ?1 AND judgement = 0 ORDER BY {order}"
    );
    let mut statement = connection.prepare(&sql)?;
    let rows = statement.query_map([session], cells)?;
    let mut all = rows.collect::<rusqlite::Result<Vec<Cells>>>()?;
    let steps: Vec<i64> = match but {
        [] => Vec::new(),
        names => {
            let sql = "SELECT number, name FROM step WHERE session = ?1 AND judgement = 0";
            let mut statement = connection.prepare(sql)?;
            let numbered =
                statement.query_map([session], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))?;
            let numbered = numbered.collect::<rusqlite::Result<Vec<_>>>()?;
            numbered.into_iter().filter(|(_, name)| names.contains(name)).map(|(number, _)| number).collect()
        }
    };
    let is_left_out = |row: &Cells| {
        let of_step = row.iter().find(|(column, _)| column == if table == "step" { "number" } else { "step" });
        matches!(of_step, Some((_, Value::Integer(number))) if steps.contains(number))
    };
    all.retain(|row| steps.is_empty() || !is_left_out(row));
    for row in &mut all {
        row.retain(|(column, _)| {
            let is_number = matches!(column.as_str(), "id" | "capture" | "judgement");
            // Where captures are left out, their places differ.
            !is_number && (steps.is_empty() || column != "capture_place")
        });
    }
    Ok(all)
}

fn cell(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        Value::Integer(number) => number.to_string(),
        Value::Real(number) => format!("{number:?}"),
        Value::Text(text) => format!("\"{text}\""),
        Value::Blob(bytes) => format!("{} bytes", bytes.len()),
    }
}

/// Copies the rows of a table, each changed by `change`, into another database.
fn copy_rows(
    from: &Connection,
    to: &Connection,
    table: &str,
    which: &str,
    of: i64,
    change: impl Fn(&mut Cells),
) -> Result<(), StoreError> {
    let mut select = from.prepare(&format!("SELECT * FROM {table} WHERE {which} ORDER BY 1"))?;
    let rows = select.query_map([of], cells)?;
    for row in rows {
        let mut row = row?;
        change(&mut row);
        let names: Vec<&str> = row.iter().map(|(name, _)| name.as_str()).collect();
        let places = vec!["?"; names.len()].join(", ");
        let sql = format!("INSERT INTO {table} ({}) VALUES ({places})", names.join(", "));
        to.prepare_cached(&sql)?.execute(params_from_iter(row.iter().map(|(_, value)| value as &dyn ToSql)))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_the_same_in_whatever_order_their_columns_stand() {
        let of = |columns: &str| {
            let database = Connection::open_in_memory().unwrap();
            let row = "(session, judgement, number, name) VALUES (1, 0, 2, 'feed')";
            database.execute_batch(&format!("CREATE TABLE step ({columns}); INSERT INTO step {row}")).unwrap();
            rows_of(&database, "step", "number", "NULL", 1, &[]).unwrap()
        };
        let new = of("session, judgement, name, number");
        assert_eq!(new.len(), 1);
        assert_eq!(new, of("session, judgement, number, name"));
    }
}
