//! Rows that need nothing of what the writer keeps.

use rusqlite::{Connection, OptionalExtension, ToSql, params};
use serde::Serialize;

use crate::{
    channel::Channel,
    clock::Wall,
    session::{
        CoreInput, Correction, Figures, PhotoHash, VisitPhoto,
        findings::{Finding, FindingRecord},
    },
    store::record::{insert, insert_record},
    units::Quantity,
};

/// Inserts the figures of a channel over a step.
pub(in crate::store) fn figure_row(
    connection: &Connection,
    session: i64,
    step: i64,
    channel: i64,
    figures: &Figures,
) -> rusqlite::Result<()> {
    let numbers = &figures.numbers;
    let columns: &[(&str, &dyn ToSql)] = &[
        ("session", &session),
        ("step", &step),
        ("channel", &channel),
        ("count", &(numbers.count() as i64)),
        ("beyond", &(figures.beyond as i64)),
        ("last", &figures.last),
        ("mean", &numbers.mean()),
        ("deviation", &numbers.deviation()),
        ("min", &numbers.min()),
        ("max", &numbers.max()),
        ("digit", &figures.digit),
        ("outside_us", &figures.outside_us),
    ];
    insert(connection, "figure", columns).map(drop)
}

/// Inserts the row of a channel on a function, with a number of its own where none is given.
pub(super) fn channel_row(
    connection: &Connection,
    session: i64,
    channel: &Channel,
    quantity: Quantity,
    id: Option<i64>,
) -> rusqlite::Result<i64> {
    let columns: &[(&str, &dyn ToSql)] = &[
        ("id", &id),
        ("session", &session),
        ("name", &channel.name),
        ("quantity", &quantity.word()),
        ("unit", &quantity.unit()),
        ("meter", &channel.meter_name),
        ("reads", &channel.reads),
        ("scale", &channel.conversion.scale.as_ref().map_or("", |scale| &scale.text)),
        ("accuracy", &channel.conversion.accuracy.as_ref().map_or("", |sheet| &sheet.text)),
    ];
    insert(connection, "channel", columns)
}

#[derive(Serialize)]
struct CorrectionRow<'a> {
    session: i64,
    at_us: i64,
    #[serde(flatten)]
    correction: &'a Correction,
}

/// Inserts a correction.
pub(in crate::store) fn corrected(
    connection: &Connection,
    session: i64,
    at_us: i64,
    correction: &Correction,
) -> rusqlite::Result<()> {
    insert_record(connection, "correction", &CorrectionRow { session, at_us, correction }).map(drop)
}

/// Inserts a photo, whose file is kept already.
pub(super) fn photo_row(connection: &Connection, session: i64, at_us: i64, photo: &VisitPhoto) -> rusqlite::Result<()> {
    #[derive(Serialize)]
    struct NewPhoto<'a> {
        session: i64,
        at_us: i64,
        #[serde(flatten)]
        photo: &'a VisitPhoto,
    }
    insert_record(connection, "photo", &NewPhoto { session, at_us, photo }).map(drop)
}

/// A photo does not count any more.
pub(super) fn photo_undone(
    connection: &Connection,
    session: i64,
    at_us: i64,
    hash: &PhotoHash,
) -> rusqlite::Result<()> {
    let sql = "UPDATE photo SET undone_us = ?2 WHERE session = ?1 AND hash = ?3 AND undone_us IS NULL";
    connection.prepare_cached(sql)?.execute(params![session, at_us, hash.to_string()]).map(drop)
}

/// Replaces the findings of a session by these, the first ranked first; they rest on the captures up to `ends_at`.
pub(super) fn keep_findings(
    connection: &Connection,
    session: i64,
    findings: &[Finding],
    ends_at: Option<u32>,
) -> rusqlite::Result<()> {
    #[derive(Serialize)]
    struct RankedFinding {
        session: i64,
        rank: i64,
        #[serde(flatten)]
        finding: FindingRecord,
    }
    connection.execute("DELETE FROM finding WHERE session = ?1", [session])?;
    for (rank, finding) in (1..).zip(findings) {
        let row = RankedFinding { session, rank, finding: FindingRecord { ends_at, ..finding.into() } };
        insert_record(connection, "finding", &row)?;
    }
    Ok(())
}

/// Keeps what entered the core.
pub(super) fn keep_input(
    connection: &Connection,
    session: i64,
    at_us: i64,
    next_row: i64,
    input: &CoreInput,
) -> rusqlite::Result<()> {
    let wrong = |error: serde_json::Error| rusqlite::Error::ToSqlConversionFailure(Box::new(error));
    let tagged = serde_json::to_value(input).map_err(wrong)?;
    let kind = tagged["kind"].as_str().unwrap_or_default();
    let content = tagged.get("content").map_or(String::new(), ToString::to_string);
    let columns: &[(&str, &dyn ToSql)] =
        &[("session", &session), ("at_us", &at_us), ("next_row", &next_row), ("kind", &kind), ("content", &content)];
    insert(connection, "input", columns).map(drop)
}

/// The row that a channel on a function has already.
pub(super) fn stored_channel(
    connection: &Connection,
    session: i64,
    name: &str,
    quantity: Quantity,
) -> rusqlite::Result<Option<i64>> {
    let sql = "SELECT id FROM channel WHERE session = ?1 AND name = ?2 AND quantity = ?3";
    connection.prepare_cached(sql)?.query_row(params![session, name, quantity.word()], |row| row.get(0)).optional()
}

/// Notes what the wall clock showed at a time of the session.
pub(super) fn anchor(connection: &Connection, session: i64, at_us: i64, wall: Wall) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO anchor (session, at_us, utc_us) VALUES (?1, ?2, ?3)")?
        .execute(params![session, at_us, wall.0])?;
    Ok(())
}

/// RFC 3339 in UTC, to the microsecond.
pub(super) fn utc(wall: Wall) -> String {
    jiff::Timestamp::from_microsecond(wall.0).map_or_else(|_| String::new(), |time| format!("{time:.6}"))
}
