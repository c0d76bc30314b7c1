//! Rows by the names of their columns: the one place where a row becomes a record and a record becomes a row.
//!
//! Samples are read and written by index instead, since they are many: see `insert.rs` and `read/samples.rs`.

use rusqlite::{
    Connection, Params, Row, ToSql, params_from_iter,
    types::{Type, Value, ValueRef},
};
use serde::{Serialize, de::DeserializeOwned};
use serde_json as json;

use super::StoreError;

/// A row as a record: each field is the column of its name. Where a query gives two columns of one name, the last one counts.
pub(super) fn from_row<T: DeserializeOwned>(row: &Row) -> rusqlite::Result<T> {
    let mut fields = json::Map::new();
    for (index, name) in row.as_ref().column_names().enumerate() {
        let value = match row.get_ref(index)? {
            ValueRef::Null => json::Value::Null,
            ValueRef::Integer(number) => number.into(),
            ValueRef::Real(number) => number.into(),
            ValueRef::Text(text) => String::from_utf8_lossy(text).into(),
            ValueRef::Blob(_) => return Err(rusqlite::Error::InvalidColumnType(index, name.to_owned(), Type::Blob)),
        };
        fields.insert(name.to_owned(), value);
    }
    json::from_value(json::Value::Object(fields))
        .map_err(|error| rusqlite::Error::FromSqlConversionFailure(0, Type::Text, Box::new(error)))
}

/// All rows of a query as records.
pub(super) fn records<T: DeserializeOwned>(
    connection: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<Vec<T>, StoreError> {
    let mut statement = connection.prepare(sql)?;
    let rows = statement.query_map(params, |row| from_row(row))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Inserts a row: each column beside its value. Returns its rowid.
pub(super) fn insert(connection: &Connection, table: &str, columns: &[(&str, &dyn ToSql)]) -> rusqlite::Result<i64> {
    let names: Vec<&str> = columns.iter().map(|(name, _)| *name).collect();
    let places = vec!["?"; columns.len()];
    let sql = format!("INSERT INTO {table} ({}) VALUES ({})", names.join(", "), places.join(", "));
    let values = columns.iter().map(|(_, value)| *value);
    connection.prepare_cached(&sql)?.execute(params_from_iter(values))?;
    Ok(connection.last_insert_rowid())
}

/// Inserts a record as a row, each field into the column of its name.
pub(super) fn insert_record(connection: &Connection, table: &str, record: &impl Serialize) -> rusqlite::Result<i64> {
    let columns = columns(record)?;
    let columns: Vec<(&str, &dyn ToSql)> =
        columns.iter().map(|(name, value)| (name.as_str(), value as &dyn ToSql)).collect();
    insert(connection, table, &columns)
}

/// The columns of a record. A list of texts becomes one text, an entry a line.
pub(super) fn columns(record: &impl Serialize) -> rusqlite::Result<Vec<(String, Value)>> {
    let wrong = |error: json::Error| rusqlite::Error::ToSqlConversionFailure(Box::new(error));
    let fields: json::Map<String, json::Value> = json::to_value(record).and_then(json::from_value).map_err(wrong)?;
    let column = |(name, value)| {
        let value = match value {
            json::Value::Null => Value::Null,
            json::Value::Bool(yes) => Value::Integer(yes.into()),
            json::Value::Number(number) => match number.as_i64() {
                Some(whole) => Value::Integer(whole),
                None => number.as_f64().map_or(Value::Null, Value::Real),
            },
            json::Value::String(text) => Value::Text(text),
            json::Value::Array(entries) => {
                let entries: Vec<&str> = entries.iter().filter_map(json::Value::as_str).collect();
                Value::Text(entries.join("\n"))
            }
            json::Value::Object(_) => return Err(rusqlite::Error::InvalidParameterName(name)),
        };
        Ok((name, value))
    };
    fields.into_iter().map(column).collect()
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    struct Inner {
        name: String,
        amount: Option<f64>,
    }

    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    struct Outer {
        at_us: i64,
        #[serde(flatten)]
        inner: Inner,
    }

    #[test]
    fn a_record_comes_back_from_its_row() {
        let connection = Connection::open_in_memory().unwrap();
        // In another order than the fields, and with a column that no field has.
        connection.execute_batch("CREATE TABLE t (amount REAL, other TEXT, name TEXT, at_us INTEGER) STRICT").unwrap();
        // The largest whole number and a number without an exact decimal form.
        let records_in = [(i64::MAX, Some(0.1)), (-1, Some(3.0)), (0, None)]
            .map(|(at_us, amount)| Outer { at_us, inner: Inner { name: "lift coil \u{b1} \"x\"".to_owned(), amount } });
        for record in &records_in {
            insert_record(&connection, "t", record).unwrap();
        }
        let back: Vec<Outer> = records(&connection, "SELECT * FROM t ORDER BY rowid", []).unwrap();
        assert_eq!(back, records_in);
    }

    #[test]
    fn the_last_column_of_a_name_counts_and_a_missing_one_is_an_error() {
        let connection = Connection::open_in_memory().unwrap();
        let sql = "SELECT 1 AS at_us, 'a' AS name, 2 AS at_us, NULL AS amount";
        let found: Vec<Outer> = records(&connection, sql, []).unwrap();
        assert_eq!((found[0].at_us, found[0].inner.amount), (2, None));
        assert!(records::<Outer>(&connection, "SELECT 'a' AS name", []).is_err());
    }

    #[test]
    fn a_list_becomes_one_text_with_an_entry_a_line() {
        let found = columns(&serde_json::json!({ "circuits": ["lift coil", "tilt coil"] })).unwrap();
        assert_eq!(found, [("circuits".to_owned(), Value::Text("lift coil\ntilt coil".to_owned()))]);
    }
}
