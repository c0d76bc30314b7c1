//! A session with its ledger as one JSON object.

use std::io::Write;

use rusqlite::Connection;
use serde::Serialize;

use super::ExportError;
use crate::{
    judging::{KnownGoodStep, known_good},
    session::findings::FindingRecord,
    store::read::{
        self, CaptureRow, ChangeRow, ChannelRow, DropOutRow, ExcursionRow, FigureRow, PhotoRow, ResponseRow,
        SessionRow, StepRow, StoredCorrection, WaveformRow,
    },
};

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
