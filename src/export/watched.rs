//! What was found while steps watched, as CSV.

use std::io::Write;

use rusqlite::Connection;

use super::{CsvSheet, CsvStyle, ExportError};
use crate::{
    session::Verdict,
    store::read::{self, SessionRow},
    units::Quantity,
};

/// Where rows go, and how they are written.
struct CsvTarget<W> {
    style: CsvStyle,
    to: W,
}

/// A file with these titles and rows.
fn write_rows<W: Write, R>(
    connection: &Connection,
    session: &SessionRow,
    target: CsvTarget<W>,
    titles: &[&str],
    rows: Vec<R>,
    cells: impl Fn(&mut CsvSheet<W>, R) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let mut sheet = CsvSheet::new(target.to, target.style, read::wall_times(connection, session)?);
    sheet.row(titles.iter().copied())?;
    for row in rows {
        cells(&mut sheet, row)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

/// The excursions as CSV: one row for each time a limit was broken.
pub(crate) fn excursions(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let titles = [
        "step",
        "number",
        "channel",
        "quantity",
        "began_s",
        "ended_s",
        "time",
        "worst",
        "unit",
        "worst_s",
        "limit_low",
        "limit_high",
        "shown",
    ];
    let rows = read::excursions(connection, session)?;
    write_rows(connection, session, CsvTarget { style, to }, &titles, rows, |sheet, row| {
        sheet.whole(Some(row.step))?;
        sheet.whole(Some(row.number))?;
        sheet.text(&row.channel)?;
        sheet.text(row.quantity.word())?;
        sheet.elapsed(Some(row.began_us))?;
        sheet.elapsed(row.ended_us)?;
        sheet.time(row.began_us)?;
        match row.beyond {
            Some(end) => sheet.text(end.word())?,
            None => sheet.number(row.worst)?,
        }
        sheet.text(&row.unit)?;
        sheet.elapsed(Some(row.worst_us))?;
        sheet.number(row.limit_low)?;
        sheet.number(row.limit_high)?;
        sheet.text(&row.shown.join("; "))
    })
}

/// The drop-outs as CSV: one row for each channel that fell; those that fell together have one number.
pub(crate) fn dropouts(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let titles =
        ["step", "number", "channel", "quantity", "began_s", "ended_s", "time", "level", "least", "unit", "samples"];
    let rows = read::dropouts(connection, session)?;
    write_rows(connection, session, CsvTarget { style, to }, &titles, rows, |sheet, row| {
        sheet.whole(Some(row.step))?;
        sheet.whole(Some(row.number))?;
        sheet.text(&row.channel)?;
        sheet.text(row.quantity.word())?;
        sheet.elapsed(Some(row.began_us))?;
        sheet.elapsed(Some(row.ended_us))?;
        sheet.time(row.began_us)?;
        sheet.number(Some(row.level))?;
        sheet.number(Some(row.least))?;
        sheet.text(&row.unit)?;
        sheet.whole(Some(row.samples))
    })
}

/// The changes as CSV: one row for each time a channel went to another level.
pub(crate) fn changes(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let titles = [
        "step",
        "number",
        "channel",
        "quantity",
        "elapsed_s",
        "time",
        "level_before",
        "level_after",
        "unit",
        "lasted_s",
        "interval_s",
    ];
    let rows = read::changes(connection, session)?;
    write_rows(connection, session, CsvTarget { style, to }, &titles, rows, |sheet, row| {
        sheet.whole(Some(row.step))?;
        sheet.whole(Some(row.number))?;
        sheet.text(&row.channel)?;
        sheet.text(row.quantity.word())?;
        sheet.elapsed(Some(row.at_us))?;
        sheet.time(row.at_us)?;
        sheet.number(Some(row.level_before))?;
        sheet.number(Some(row.level_after))?;
        sheet.text(&row.unit)?;
        sheet.elapsed(Some(row.lasted_us))?;
        sheet.elapsed(Some(row.interval_us))
    })
}

/// The shapes of the signals as CSV: one row for each channel in each step.
pub(crate) fn waveforms(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = CsvSheet::new(to, style, read::wall_times(connection, session)?);
    sheet.row([
        "step",
        "channel",
        "quantity",
        "shape",
        "rate_hz",
        "samples",
        "least",
        "greatest",
        "mean",
        "rms",
        "low_level",
        "high_level",
        "ripple_rms",
        "ripple_pp",
        "peak",
        "hold",
        "unit",
        "frequency_hz",
        "frequency_u",
        "duty",
        "duty_u",
        "switch_ons",
        "time_constant_s",
        "time_constant_u",
    ])?;
    for row in read::waveforms(connection, session)? {
        sheet.whole(Some(row.step))?;
        sheet.text(&row.channel)?;
        sheet.text(row.quantity.word())?;
        sheet.text(row.shape.word())?;
        sheet.number(Some(row.rate_hz))?;
        sheet.whole(Some(row.samples))?;
        for value in [Some(row.least), Some(row.greatest), Some(row.mean), row.rms, row.low_level, row.high_level] {
            sheet.number(value)?;
        }
        for value in [row.ripple_rms, row.ripple_pp, row.peak, row.hold] {
            sheet.number(value)?;
        }
        sheet.text(&row.unit)?;
        for value in [row.frequency_hz, row.frequency_u, row.duty, row.duty_u] {
            sheet.number(value)?;
        }
        sheet.whole(row.switch_ons)?;
        sheet.number(row.time_constant_s)?;
        sheet.number(row.time_constant_u)?;
        sheet.end_row()?;
    }
    sheet.finish()
}

/// What channels did after marks and changes, as CSV.
pub(crate) fn responses(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let titles = [
        "step",
        "number",
        "rule",
        "channel",
        "quantity",
        "elapsed_s",
        "time",
        "delay_s",
        "u_s",
        "level_before",
        "level_after",
        "unit",
        "lasted_s",
        "verdict",
        "reason",
    ];
    let rows = read::responses(connection, session)?;
    write_rows(connection, session, CsvTarget { style, to }, &titles, rows, |sheet, row| {
        sheet.whole(Some(row.step))?;
        sheet.whole(Some(row.number))?;
        sheet.text(&row.rule)?;
        sheet.text(&row.channel)?;
        sheet.text(row.quantity.map_or("", Quantity::word))?;
        sheet.elapsed(Some(row.at_us))?;
        sheet.time(row.at_us)?;
        sheet.number(row.delay_s)?;
        sheet.number(row.u_s)?;
        sheet.number(row.level_before)?;
        sheet.number(row.level_after)?;
        sheet.text(row.unit.as_deref().unwrap_or_default())?;
        sheet.number(row.lasted_s)?;
        sheet.text(row.verdict.map_or("", Verdict::word))?;
        sheet.text(&row.reason)
    })
}
