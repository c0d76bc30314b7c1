//! The small tables of a session as CSV: each column stands here once, its title beside its cell.

use std::io::Write;

use rusqlite::Connection;

use super::{Cell, CsvColumn, CsvSheet, CsvStyle, ExportError};
use crate::{
    procedure::YesNo,
    session::{RangeEnd, Verdict},
    store::read::{
        self, CaptureRow, ChangeRow, DropOutRow, EventRow, ExcursionRow, ResponseRow, SessionRow, StepRow, WaveformRow,
    },
    units::Quantity,
};

/// A small table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CsvTable {
    /// The ledger: one row a step.
    Steps,
    /// What happened.
    Events,
    /// One row for each time a limit was broken.
    Excursions,
    /// One row for each channel that fell; those that fell together have one number.
    DropOuts,
    /// One row for each time a channel went to another level.
    Changes,
    /// What channels did after marks and changes.
    Responses,
    /// The shapes of the signals: one row for each channel in each step.
    Waveforms,
}

impl CsvTable {
    /// Writes it.
    pub(crate) fn write(
        self,
        connection: &Connection,
        session: &SessionRow,
        style: CsvStyle,
        to: impl Write,
    ) -> Result<(), ExportError> {
        let sheet = CsvSheet::new(to, style, read::wall_times(connection, session)?);
        match self {
            Self::Steps => sheet.table(STEPS, &read::steps(connection, session)?),
            Self::Events => sheet.table(EVENTS, &read::events(connection, session.id)?),
            Self::Excursions => sheet.table(EXCURSIONS, &read::excursions(connection, session)?),
            Self::DropOuts => sheet.table(DROPOUTS, &read::dropouts(connection, session)?),
            Self::Changes => sheet.table(CHANGES, &read::changes(connection, session)?),
            Self::Responses => sheet.table(RESPONSES, &read::responses(connection, session)?),
            Self::Waveforms => sheet.table(WAVEFORMS, &read::waveforms(connection, session)?),
        }
    }
}

const STEPS: &[CsvColumn<StepRow>] = &[
    ("number", |row| row.number.into()),
    ("attempt", |row| row.attempt.into()),
    ("step", |row| row.name.as_str().into()),
    ("circuit", |row| row.circuit.as_deref().into()),
    ("began_s", |row| Cell::Elapsed(Some(row.began_us))),
    ("ended_s", |row| Cell::Elapsed(row.ended_us)),
    ("left", |row| row.left.as_deref().into()),
    ("channel", |row| row.channel.as_deref().into()),
    ("quantity", |row| captured(row, |capture| capture.quantity).or(row.quantity).map(Quantity::word).into()),
    ("value", |row| row.capture.as_ref().map_or(Cell::Number(None), |capture| value(capture.value, capture.beyond))),
    ("unit", |row| captured(row, |capture| capture.unit.as_deref()).or(row.unit.as_deref()).into()),
    ("u", |row| captured(row, |capture| capture.u).into()),
    ("limit_low", |row| row.limit_low.into()),
    ("limit_high", |row| row.limit_high.into()),
    ("verdict", |row| row.verdict.map(Verdict::word).into()),
    ("reason", |row| row.reason.as_deref().into()),
    ("place", |row| row.place.into()),
    ("proof", |row| row.capture.as_ref().map(|capture| capture.proof.join("; ")).into()),
    ("flags", |row| {
        let flags = row.capture.iter().flat_map(|capture| &capture.flags);
        flags.map(|flag| flag.word()).collect::<Vec<_>>().join(", ").into()
    }),
    ("limit_text", |row| row.limit_text.as_deref().into()),
    ("answer", |row| captured(row, |capture| capture.answer).map(YesNo::word).into()),
];

const EVENTS: &[CsvColumn<EventRow>] = &[
    ("elapsed_s", |row| Cell::Elapsed(Some(row.at_us))),
    ("time", |row| Cell::Time(row.at_us)),
    ("kind", |row| row.kind.word().into()),
    ("subject", |row| row.subject.as_str().into()),
    ("text", |row| row.text.as_str().into()),
];

const EXCURSIONS: &[CsvColumn<ExcursionRow>] = &[
    ("step", |row| row.step.into()),
    ("number", |row| row.number.into()),
    ("channel", |row| row.channel.as_str().into()),
    ("quantity", |row| row.quantity.word().into()),
    ("began_s", |row| Cell::Elapsed(Some(row.began_us))),
    ("ended_s", |row| Cell::Elapsed(row.ended_us)),
    ("time", |row| Cell::Time(row.began_us)),
    ("worst", |row| value(row.worst, row.beyond)),
    ("unit", |row| row.unit.as_str().into()),
    ("worst_s", |row| Cell::Elapsed(Some(row.worst_us))),
    ("limit_low", |row| row.limit_low.into()),
    ("limit_high", |row| row.limit_high.into()),
    ("shown", |row| row.shown.join("; ").into()),
];

const DROPOUTS: &[CsvColumn<DropOutRow>] = &[
    ("step", |row| row.step.into()),
    ("number", |row| row.number.into()),
    ("channel", |row| row.channel.as_str().into()),
    ("quantity", |row| row.quantity.word().into()),
    ("began_s", |row| Cell::Elapsed(Some(row.began_us))),
    ("ended_s", |row| Cell::Elapsed(Some(row.ended_us))),
    ("time", |row| Cell::Time(row.began_us)),
    ("level", |row| row.level.into()),
    ("least", |row| row.least.into()),
    ("unit", |row| row.unit.as_str().into()),
    ("samples", |row| row.samples.into()),
];

const CHANGES: &[CsvColumn<ChangeRow>] = &[
    ("step", |row| row.step.into()),
    ("number", |row| row.number.into()),
    ("channel", |row| row.channel.as_str().into()),
    ("quantity", |row| row.quantity.word().into()),
    ("elapsed_s", |row| Cell::Elapsed(Some(row.at_us))),
    ("time", |row| Cell::Time(row.at_us)),
    ("level_before", |row| row.level_before.into()),
    ("level_after", |row| row.level_after.into()),
    ("unit", |row| row.unit.as_str().into()),
    ("lasted_s", |row| Cell::Elapsed(Some(row.lasted_us))),
    ("interval_s", |row| Cell::Elapsed(Some(row.interval_us))),
];

const RESPONSES: &[CsvColumn<ResponseRow>] = &[
    ("step", |row| row.step.into()),
    ("number", |row| row.number.into()),
    ("rule", |row| row.rule.as_str().into()),
    ("channel", |row| row.channel.as_str().into()),
    ("quantity", |row| row.quantity.map(Quantity::word).into()),
    ("elapsed_s", |row| Cell::Elapsed(Some(row.at_us))),
    ("time", |row| Cell::Time(row.at_us)),
    ("delay_s", |row| row.delay_s.into()),
    ("u_s", |row| row.u_s.into()),
    ("level_before", |row| row.level_before.into()),
    ("level_after", |row| row.level_after.into()),
    ("unit", |row| row.unit.as_deref().into()),
    ("lasted_s", |row| row.lasted_s.into()),
    ("verdict", |row| row.verdict.map(Verdict::word).into()),
    ("reason", |row| row.reason.as_str().into()),
];

const WAVEFORMS: &[CsvColumn<WaveformRow>] = &[
    ("step", |row| row.step.into()),
    ("channel", |row| row.channel.as_str().into()),
    ("quantity", |row| row.quantity.word().into()),
    ("shape", |row| row.shape.word().into()),
    ("rate_hz", |row| row.rate_hz.into()),
    ("samples", |row| row.samples.into()),
    ("least", |row| row.least.into()),
    ("greatest", |row| row.greatest.into()),
    ("mean", |row| row.mean.into()),
    ("rms", |row| row.rms.into()),
    ("low_level", |row| row.low_level.into()),
    ("high_level", |row| row.high_level.into()),
    ("ripple_rms", |row| row.ripple_rms.into()),
    ("ripple_pp", |row| row.ripple_pp.into()),
    ("peak", |row| row.peak.into()),
    ("hold", |row| row.hold.into()),
    ("unit", |row| row.unit.as_str().into()),
    ("frequency_hz", |row| row.frequency_hz.into()),
    ("frequency_u", |row| row.frequency_u.into()),
    ("duty", |row| row.duty.into()),
    ("duty_u", |row| row.duty_u.into()),
    ("switch_ons", |row| row.switch_ons.into()),
    ("time_constant_s", |row| row.time_constant_s.into()),
    ("time_constant_u", |row| row.time_constant_u.into()),
];

/// Something of what a step was judged on.
fn captured<'a, T>(step: &'a StepRow, of: impl FnOnce(&'a CaptureRow) -> Option<T>) -> Option<T> {
    step.capture.as_ref().and_then(of)
}

/// A value, or the end of the range that it was beyond.
fn value<'a>(value: Option<f64>, beyond: Option<RangeEnd>) -> Cell<'a> {
    beyond.map_or(Cell::Number(value), |end| end.word().into())
}
