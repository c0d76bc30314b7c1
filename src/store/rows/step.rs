//! Rows of steps and captures.

use rusqlite::{Connection, ToSql, named_params, params};

use super::{RowWriter, single::figure_row, watched::waveform_row};
use crate::{
    clock::Mono,
    procedure::YesNo,
    protocol::Value,
    session::{Capture, CaptureMethod, Judgement, JudgementRecord, StepBegan, StepEnded, Verdict},
    store::{record::insert, stored_value::value_columns},
    units::{Limit, Quantity},
};

impl RowWriter {
    pub(super) fn step_began(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: &StepBegan,
    ) -> rusqlite::Result<()> {
        let view = &step.view;
        let limit = view.limit.as_ref();
        let columns: &[(&str, &dyn ToSql)] = &[
            ("session", &session),
            ("number", &view.number),
            ("place", &view.place.map(|(place, _)| place as i64)),
            ("attempt", &view.attempt),
            ("name", &view.name),
            ("circuit", &view.circuit),
            ("instruction", &view.instruction),
            ("channel", &view.channel),
            ("quantity", &view.quantity.map(Quantity::word)),
            ("unit", &limit.map(|limit| limit.dimension.unit())),
            ("limit_low", &limit.and_then(|limit| limit.low)),
            ("limit_high", &limit.and_then(|limit| limit.high)),
            ("limit_text", &view.limit_text),
            ("began_us", &step.at.since(began)),
            ("first_row", &self.next_row),
        ];
        insert(connection, "step", columns).map(drop)
    }

    pub(super) fn step_ended(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: &StepEnded,
    ) -> rusqlite::Result<()> {
        for signal in &step.figures {
            let channel = self.row_of(connection, session, signal.channel, signal.quantity)?;
            figure_row(connection, session, step.number.into(), channel, &signal.figures)?;
        }
        for waveform in &step.waveforms {
            waveform_row(connection, session, step.number, waveform)?;
        }
        let capture = match &step.capture {
            Some(capture) => Some(self.capture_once(connection, session, began, step.number, capture)?),
            None => None,
        };
        let judgement = step.capture.as_ref().map(|capture| &capture.judgement);
        let closed = ClosedStep {
            session,
            number: step.number.into(),
            ended_us: step.at.since(began),
            left: step.left.word(),
            capture,
            verdict: judgement.and_then(Judgement::verdict),
            reason: judgement.map(|judgement| judgement.reason.as_str()),
            last_row: self.next_row - 1,
            limit: judgement.and_then(Judgement::limit),
        };
        closed.update(connection)
    }

    /// A capture that was taken is stored already; the others are stored when the step is left.
    fn capture_once(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: u32,
        capture: &Capture,
    ) -> rusqlite::Result<i64> {
        let stored = connection
            .prepare_cached(
                "SELECT id FROM capture WHERE session = ?1 AND step = ?2 AND how = ?3 AND at_us = ?4 ORDER BY id DESC LIMIT 1",
            )?
            .query_map(params![session, step, capture.how.word(), capture.at.since(began)], |row| row.get(0))?
            .next();
        match stored {
            Some(id) => id,
            None => self.capture(connection, session, began, Some(step), capture),
        }
    }

    pub(super) fn capture(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: Option<u32>,
        capture: &Capture,
    ) -> rusqlite::Result<i64> {
        let settled = capture.settled.as_ref();
        let peak = match capture.peak {
            Some(Value::Number(peak)) => Some(peak),
            _ => None,
        };
        let channel = capture.channel.and_then(|id| self.channels.get(usize::from(id.0))?.as_ref());
        let flags: Vec<&str> = capture.flags.iter().map(|flag| flag.word()).collect();
        let row = NewCapture {
            session,
            step: step.map(i64::from),
            how: capture.how,
            at_us: capture.at.since(began),
            channel: channel.map(|channel| channel.name.as_str()),
            judgement: JudgementRecord::from(&capture.judgement),
            deviation: settled.map(|settled| settled.deviation),
            readings: settled.map(|settled| settled.count as i64),
            peak,
            proof: capture.proof.as_ref().map_or(String::new(), |proof| proof.lines(capture.at).join("\n")),
            flags: flags.join("\n"),
        };
        row.insert(connection)
    }
}

/// A row of the table `capture`.
pub(in crate::store) struct NewCapture<'a> {
    pub session: i64,
    pub step: Option<i64>,
    pub how: CaptureMethod,
    pub at_us: i64,
    pub channel: Option<&'a str>,
    pub judgement: JudgementRecord,
    pub deviation: Option<f64>,
    pub readings: Option<i64>,
    pub peak: Option<f64>,
    pub proof: String,
    pub flags: String,
}

impl NewCapture<'_> {
    /// Inserts it; returns its rowid.
    pub(in crate::store) fn insert(&self, connection: &Connection) -> rusqlite::Result<i64> {
        let judgement = &self.judgement;
        let (number, beyond) = judgement.value.map_or((None, None), value_columns);
        let columns: &[(&str, &dyn ToSql)] = &[
            ("session", &self.session),
            ("step", &self.step),
            ("how", &self.how.word()),
            ("at_us", &self.at_us),
            ("channel", &self.channel),
            ("quantity", &judgement.quantity.map(Quantity::word)),
            ("unit", &judgement.unit),
            ("value", &number),
            ("beyond", &beyond),
            ("measured", &judgement.measured),
            ("measured_u", &judgement.measured_u),
            ("digit", &judgement.digit),
            ("answer", &judgement.answer.map(YesNo::word)),
            ("u", &judgement.u),
            ("deviation", &self.deviation),
            ("readings", &self.readings),
            ("peak", &self.peak),
            ("limit_low", &judgement.limit_low),
            ("limit_high", &judgement.limit_high),
            ("conformity", &judgement.conformity),
            ("verdict", &judgement.verdict.map(Verdict::word)),
            ("reason", &judgement.reason),
            ("proof", &self.proof),
            ("flags", &self.flags),
        ];
        insert(connection, "capture", columns)
    }
}

/// What the row of a step gets when it is over.
pub(in crate::store) struct ClosedStep<'a> {
    pub session: i64,
    pub number: i64,
    pub ended_us: i64,
    pub left: &'static str,
    pub capture: Option<i64>,
    pub verdict: Option<Verdict>,
    pub reason: Option<&'a str>,
    pub last_row: i64,
    /// The limit that it was judged by: one by other values is known only then.
    pub limit: Option<Limit>,
}

impl ClosedStep<'_> {
    pub(in crate::store) fn update(&self, connection: &Connection) -> rusqlite::Result<()> {
        let limit = self.limit.as_ref();
        connection
            .prepare_cached(
                "UPDATE step SET ended_us = :ended_us, left_how = :left_how, capture = :capture, verdict = :verdict,
                    reason = :reason, last_row = :last_row, unit = COALESCE(unit, :unit),
                    limit_low = CASE WHEN unit IS NULL THEN :limit_low ELSE limit_low END,
                    limit_high = CASE WHEN unit IS NULL THEN :limit_high ELSE limit_high END
                 WHERE session = :session AND number = :number",
            )?
            .execute(named_params! {
                ":session": self.session,
                ":number": self.number,
                ":ended_us": self.ended_us,
                ":left_how": self.left,
                ":capture": self.capture,
                ":verdict": self.verdict.map(Verdict::word),
                ":reason": self.reason,
                ":last_row": self.last_row,
                ":unit": limit.map(|limit| limit.dimension.unit()),
                ":limit_low": limit.and_then(|limit| limit.low),
                ":limit_high": limit.and_then(|limit| limit.high),
            })
            .map(drop)
    }
}
