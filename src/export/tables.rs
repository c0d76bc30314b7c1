//! The small tables of a session: steps, events, and the session itself.

use std::io::Write;

use rusqlite::Connection;
use serde::Serialize;

use super::{ExportError, Sheet, Style};
use crate::{
    session::{Verdict, findings::FindingRecord},
    store::read::{self, CaptureRow, ChannelRow, FigureRow, SessionRow, StepRow},
    units::Quantity,
};

/// The ledger as CSV: one row a step.
pub(crate) fn steps(
    connection: &Connection,
    session: &SessionRow,
    style: Style,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = Sheet::new(to, style, session.began_utc_us);
    sheet.row([
        "number",
        "attempt",
        "step",
        "circuit",
        "began_s",
        "ended_s",
        "left",
        "channel",
        "quantity",
        "value",
        "unit",
        "u",
        "limit_low",
        "limit_high",
        "verdict",
        "reason",
        "place",
    ])?;
    for step in read::steps(connection, session.id)? {
        let capture = step.capture.as_ref();
        let or_empty = |text: &Option<String>| text.clone().unwrap_or_default();
        sheet.whole(Some(step.number))?;
        sheet.whole(Some(step.attempt))?;
        sheet.text(&step.name)?;
        sheet.text(&or_empty(&step.circuit))?;
        sheet.elapsed(Some(step.began_us))?;
        sheet.elapsed(step.ended_us)?;
        sheet.text(&or_empty(&step.left))?;
        sheet.text(&or_empty(&step.channel))?;
        let quantity = capture.and_then(|capture| capture.quantity).or(step.quantity);
        sheet.text(quantity.map_or("", Quantity::word))?;
        value(&mut sheet, capture)?;
        sheet.text(&capture.and_then(|capture| capture.unit.clone()).unwrap_or_else(|| or_empty(&step.unit)))?;
        sheet.number(capture.and_then(|capture| capture.u))?;
        sheet.number(step.limit_low)?;
        sheet.number(step.limit_high)?;
        sheet.text(step.verdict.map_or("", Verdict::word))?;
        sheet.text(&or_empty(&step.reason))?;
        sheet.whole(step.place)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

fn value<W: Write>(sheet: &mut Sheet<W>, capture: Option<&CaptureRow>) -> Result<(), ExportError> {
    match capture.and_then(|capture| capture.beyond) {
        Some(end) => sheet.text(end.word()),
        None => sheet.number(capture.and_then(|capture| capture.value)),
    }
}

/// The events as CSV.
pub(crate) fn events(
    connection: &Connection,
    session: &SessionRow,
    style: Style,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = Sheet::new(to, style, session.began_utc_us);
    sheet.row(["elapsed_s", "time", "kind", "subject", "text"])?;
    for event in read::events(connection, session.id)? {
        sheet.elapsed(Some(event.at_us))?;
        sheet.time(event.at_us)?;
        sheet.text(event.kind.word())?;
        sheet.text(&event.subject)?;
        sheet.text(&event.text)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

#[derive(Serialize)]
struct SessionJson<'a> {
    session: &'a SessionRow,
    channels: Vec<ChannelRow>,
    steps: Vec<StepRow>,
    captures: Vec<CaptureRow>,
    figures: Vec<FigureRow>,
    findings: Vec<FindingRecord>,
}

/// A session with its ledger as one JSON object.
pub(crate) fn session_json(
    connection: &Connection,
    session: &SessionRow,
    mut to: impl Write,
) -> Result<(), ExportError> {
    let json = SessionJson {
        session,
        channels: read::channels(connection, session.id)?,
        steps: read::steps(connection, session.id)?,
        captures: read::captures(connection, session.id)?,
        figures: read::figures(connection, session.id)?,
        findings: read::findings(connection, session.id)?,
    };
    serde_json::to_writer_pretty(&mut to, &json).map_err(std::io::Error::from)?;
    Ok(writeln!(to)?)
}
