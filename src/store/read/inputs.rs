//! What a session is judged again from, beside its samples.

use rusqlite::Connection;
use serde_json as json;

use crate::{
    session::CoreInput,
    store::{StoreError, record::records},
};

/// One row of the table `input`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StoredInput {
    /// Since the session began, µs.
    pub at_us: i64,
    /// Rowid of the first sample that came after it.
    pub next_row: i64,
    /// What came.
    pub input: CoreInput,
}

impl StoredInput {
    /// By which judgement the session before was continued, where this input holds it.
    pub(crate) fn continued_judgement(&self) -> Option<i64> {
        match &self.input {
            CoreInput::Bench(bench) => bench.continued_judgement,
            _ => None,
        }
    }
}

#[derive(serde::Deserialize)]
struct InputRow {
    at_us: i64,
    next_row: i64,
    kind: String,
    content: String,
}

/// All inputs of a session in order; empty for a session of an older bayline, which kept none.
///
/// # Errors
/// One of them can't be read.
pub(crate) fn inputs(connection: &Connection, session: i64) -> Result<Vec<StoredInput>, StoreError> {
    let rows: Vec<InputRow> = records(connection, "SELECT * FROM input WHERE session = ?1 ORDER BY id", [session])?;
    let parsed = rows.into_iter().map(|InputRow { at_us, next_row, kind, content }| {
        let read = || -> json::Result<CoreInput> {
            let mut tagged = json::Map::from_iter([("kind".to_owned(), json::Value::from(kind.as_str()))]);
            if !content.is_empty() {
                tagged.insert("content".to_owned(), json::from_str(&content)?);
            }
            json::from_value(json::Value::Object(tagged))
        };
        let input = read().map_err(|error| StoreError::UnknownInput { kind: kind.clone(), why: error.to_string() })?;
        Ok(StoredInput { at_us, next_row, input })
    });
    parsed.collect()
}
