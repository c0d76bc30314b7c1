//! The small tables of a session: steps, events, and the session itself.

use std::io::Write;

use rusqlite::Connection;
use serde::Serialize;

use super::{CsvSheet, CsvStyle, ExportError};
use crate::{
    judging::{KnownGoodStep, known_good},
    procedure::YesNo,
    session::{Verdict, findings::FindingRecord},
    store::read::{
        self, CaptureRow, ChangeRow, ChannelRow, DropOutRow, ExcursionRow, FigureRow, PhotoRow, ResponseRow,
        SessionRow, StepRow, StoredCorrection, WaveformRow,
    },
    units::Quantity,
};

/// A column of `steps.csv`: its title, and how its cell is written.
type StepColumn<W> = (&'static str, fn(&mut CsvSheet<W>, &StepRow) -> Result<(), ExportError>);

fn step_columns<W: Write>() -> Vec<StepColumn<W>> {
    vec![
        ("number", |sheet, step| sheet.whole(Some(step.number))),
        ("attempt", |sheet, step| sheet.whole(Some(step.attempt))),
        ("step", |sheet, step| sheet.text(&step.name)),
        ("circuit", |sheet, step| sheet.text(or_empty(&step.circuit))),
        ("began_s", |sheet, step| sheet.elapsed(Some(step.began_us))),
        ("ended_s", |sheet, step| sheet.elapsed(step.ended_us)),
        ("left", |sheet, step| sheet.text(or_empty(&step.left))),
        ("channel", |sheet, step| sheet.text(or_empty(&step.channel))),
        ("quantity", |sheet, step| {
            let captured = step.capture.as_ref().and_then(|capture| capture.quantity);
            sheet.text(captured.or(step.quantity).map_or("", Quantity::word))
        }),
        ("value", |sheet, step| value(sheet, step.capture.as_ref())),
        ("unit", |sheet, step| {
            let captured = step.capture.as_ref().and_then(|capture| capture.unit.as_deref());
            sheet.text(captured.unwrap_or(or_empty(&step.unit)))
        }),
        ("u", |sheet, step| sheet.number(step.capture.as_ref().and_then(|capture| capture.u))),
        ("limit_low", |sheet, step| sheet.number(step.limit_low)),
        ("limit_high", |sheet, step| sheet.number(step.limit_high)),
        ("verdict", |sheet, step| sheet.text(step.verdict.map_or("", Verdict::word))),
        ("reason", |sheet, step| sheet.text(or_empty(&step.reason))),
        ("place", |sheet, step| sheet.whole(step.place)),
        ("proof", |sheet, step| {
            sheet.text(&step.capture.as_ref().map_or(String::new(), |capture| capture.proof.join("; ")))
        }),
        ("flags", |sheet, step| {
            let flags = step.capture.iter().flat_map(|capture| &capture.flags);
            sheet.text(&flags.map(|flag| flag.word()).collect::<Vec<_>>().join(", "))
        }),
        ("limit_text", |sheet, step| sheet.text(or_empty(&step.limit_text))),
        ("answer", |sheet, step| {
            let answer = step.capture.as_ref().and_then(|capture| capture.answer);
            sheet.text(answer.map_or("", YesNo::word))
        }),
    ]
}

fn or_empty(text: &Option<String>) -> &str {
    text.as_deref().unwrap_or_default()
}

/// The ledger as CSV: one row a step.
pub(crate) fn steps(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = CsvSheet::new(to, style, read::wall_times(connection, session)?);
    let columns = step_columns();
    sheet.row(columns.iter().map(|(title, _)| *title))?;
    for step in read::steps(connection, session)? {
        for (_, write_cell) in &columns {
            write_cell(&mut sheet, &step)?;
        }
        sheet.end_row()?;
    }
    sheet.finish()
}

fn value<W: Write>(sheet: &mut CsvSheet<W>, capture: Option<&CaptureRow>) -> Result<(), ExportError> {
    match capture.and_then(|capture| capture.beyond) {
        Some(end) => sheet.text(end.word()),
        None => sheet.number(capture.and_then(|capture| capture.value)),
    }
}

/// The events as CSV.
pub(crate) fn events(
    connection: &Connection,
    session: &SessionRow,
    style: CsvStyle,
    to: impl Write,
) -> Result<(), ExportError> {
    let mut sheet = CsvSheet::new(to, style, read::wall_times(connection, session)?);
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

/// A session with its ledger, as JSON has it.
#[derive(Serialize, utoipa::ToSchema)]
pub(crate) struct Ledger {
    session: SessionRow,
    channels: Vec<ChannelRow>,
    steps: Vec<StepRow>,
    captures: Vec<CaptureRow>,
    figures: Vec<FigureRow>,
    findings: Vec<FindingRecord>,
    corrections: Vec<StoredCorrection>,
    /// Left out where there is none: the hashes of older exports stay what they were.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    photos: Vec<PhotoRow>,
    excursions: Vec<ExcursionRow>,
    dropouts: Vec<DropOutRow>,
    changes: Vec<ChangeRow>,
    responses: Vec<ResponseRow>,
    waveforms: Vec<WaveformRow>,
    /// Of other sessions, so no part of an export.
    #[serde(skip_serializing_if = "Option::is_none")]
    known_good: Option<Vec<KnownGoodStep>>,
}

impl Ledger {
    fn new(connection: &Connection, session: &SessionRow) -> Result<Self, ExportError> {
        Ok(Self {
            session: session.clone(),
            channels: read::channels(connection, session.id)?,
            steps: read::steps(connection, session)?,
            captures: read::captures(connection, session)?,
            figures: read::figures(connection, session)?,
            findings: read::findings(connection, session)?,
            corrections: read::corrections(connection, session.id)?,
            photos: read::photos(connection, session.id)?,
            excursions: read::excursions(connection, session)?,
            dropouts: read::dropouts(connection, session)?,
            changes: read::changes(connection, session)?,
            responses: read::responses(connection, session)?,
            waveforms: read::waveforms(connection, session)?,
            known_good: None,
        })
    }

    fn write(&self, mut to: impl Write) -> Result<(), ExportError> {
        serde_json::to_writer_pretty(&mut to, self).map_err(std::io::Error::from)?;
        Ok(writeln!(to)?)
    }
}

/// A session with its ledger as one JSON object.
pub(crate) fn session_json(connection: &Connection, session: &SessionRow, to: impl Write) -> Result<(), ExportError> {
    Ledger::new(connection, session)?.write(to)
}

/// The same with what machines known to be good showed, for those who look at it.
pub(crate) fn ledger_json(connection: &Connection, session: &SessionRow, to: impl Write) -> Result<(), ExportError> {
    let known = known_good(connection, session)?;
    Ledger { known_good: Some(known), ..Ledger::new(connection, session)? }.write(to)
}

/// That with each captured value as a person reads it, for the page.
pub(crate) fn shown_ledger(connection: &Connection, session: &SessionRow) -> Result<Ledger, ExportError> {
    let known = known_good(connection, session)?;
    let mut ledger = Ledger { known_good: Some(known), ..Ledger::new(connection, session)? };
    let judged = ledger.steps.iter_mut().filter_map(|step| step.capture.as_mut());
    for capture in judged.chain(&mut ledger.captures) {
        capture.shown = capture.shown();
    }
    Ok(ledger)
}
