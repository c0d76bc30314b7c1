//! Closes the sessions that a killed daemon or a power cut left open, as their samples tell.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};
use strum::VariantArray;

use super::{
    rows::{ClosedStep, NewCapture, close_session, figure_row},
    stored_value::{column_value, sample_value},
};
use crate::{
    clock::Mono,
    procedure::{CaptureMode, Procedure},
    protocol::Value,
    session::{CaptureMethod, Figures, JudgementRecord, Verdict, excess},
    units::{Limit, Quantity, Scale, ValueFormat},
};

/// How a session and its step ended that were cut off.
pub(super) const INTERRUPTED: &str = "interrupted";

/// Closes what was left open, at the time of its last record. Returns the numbers of the sessions.
pub(super) fn close_interrupted(connection: &mut Connection) -> rusqlite::Result<Vec<i64>> {
    let transaction = connection.transaction()?;
    let open: Vec<i64> = transaction
        .prepare("SELECT id FROM session WHERE ended_us IS NULL ORDER BY id")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for session in &open {
        // Only the newest session can be open, so its rows reach to the end of the table.
        let (ended, last_row) = (last_record_us(&transaction, *session)?, last_row(&transaction)?);
        close_step(&transaction, *session, ended, last_row)?;
        close_session(&transaction, *session, ended, INTERRUPTED, last_row)?;
    }
    transaction.commit()?;
    Ok(open)
}

/// Closes the step in which a session was cut off, as its samples tell.
pub(super) fn close_step(connection: &Connection, session: i64, ended: i64, last_row: i64) -> rusqlite::Result<()> {
    let steps: Vec<InterruptedStep> = connection
        .prepare(
            "SELECT number, name, channel, unit, limit_low, limit_high, first_row FROM step
             WHERE session = ?1 AND ended_us IS NULL",
        )?
        .query_map([session], InterruptedStep::read)?
        .collect::<rusqlite::Result<_>>()?;
    for step in &steps {
        let capture = step.store_capture(connection, session, last_row)?;
        let judged = capture.as_ref().map(|(_, judgement)| judgement);
        let closed = ClosedStep {
            session,
            number: step.number,
            ended_us: ended,
            left: INTERRUPTED,
            capture: capture.as_ref().map(|(id, _)| *id),
            verdict: judged.and_then(|judgement| judgement.verdict),
            reason: judged.map(|judgement| judgement.reason.as_str()),
            last_row,
            limit: None,
        };
        closed.update(connection)?;
    }
    close_excursions(connection, session, ended, last_row)
}

/// Closes an excursion that lasted when the session was cut off. It was stored as it began: its worst is that of the samples
/// since then that were out of limit. Volts that are to be few are judged by their size.
fn close_excursions(connection: &Connection, session: i64, ended: i64, last_row: i64) -> rusqlite::Result<()> {
    // The value as it is judged.
    let judged = "CASE WHEN limit_low IS NULL AND excursion.unit = 'V' THEN ABS(sample.value) ELSE sample.value END";
    let worst = format!(
        "SELECT sample.rowid FROM sample JOIN channel ON channel.id = sample.channel
                 WHERE sample.rowid BETWEEN ?2 AND ?3 AND sample.rowid >= (SELECT first_row FROM step
                         WHERE step.session = ?1 AND step.judgement = 0 AND step.number = excursion.step)
                     AND channel.session = ?1 AND channel.name = excursion.channel AND channel.quantity = excursion.quantity
                     AND sample.time_us >= excursion.began_us AND sample.verdict = 1 AND sample.value IS NOT NULL
                 ORDER BY MAX(COALESCE(limit_low - sample.value, -1e300),
                     COALESCE({judged} - limit_high, -1e300)) DESC, sample.rowid
                 LIMIT 1"
    );
    let first_row: i64 =
        connection.query_row("SELECT first_row FROM session WHERE id = ?1", [session], |row| row.get(0))?;
    let open: Vec<(i64, i64, Option<i64>)> = connection
        .prepare(&format!(
            "SELECT step, number, ({worst}) FROM excursion WHERE session = ?1 AND judgement = 0 AND ended_us IS NULL AND beyond IS NULL"
        ))?
        .query_map([session, first_row, last_row], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect::<rusqlite::Result<_>>()?;
    for (step, number, worst) in open {
        connection.execute(
            &format!(
                "UPDATE excursion SET worst_us = sample.time_us, worst = {judged} FROM sample
                 WHERE sample.rowid = ?4 AND session = ?1 AND judgement = 0 AND step = ?2 AND number = ?3"
            ),
            params![session, step, number, worst],
        )?;
    }
    connection.execute(
        "UPDATE excursion SET ended_us = ?2 WHERE session = ?1 AND ended_us IS NULL",
        params![session, ended],
    )?;
    Ok(())
}

fn last_row(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("SELECT COALESCE(MAX(rowid), 0) FROM sample", [], |row| row.get(0))
}

/// The latest time of anything that was recorded in the session, µs.
fn last_record_us(connection: &Connection, session: i64) -> rusqlite::Result<i64> {
    connection.query_row(
        "SELECT MAX(t) FROM (
            SELECT 0 AS t
            UNION ALL SELECT MAX(at_us) FROM event WHERE session = ?1
            UNION ALL SELECT MAX(at_us) FROM anchor WHERE session = ?1
            UNION ALL SELECT MAX(began_us) FROM step WHERE session = ?1
            UNION ALL SELECT MAX(time_us) FROM (
                SELECT time_us FROM sample
                WHERE rowid >= (SELECT first_row FROM session WHERE id = ?1) ORDER BY rowid DESC LIMIT 1000))",
        [session],
        |row| row.get(0),
    )
}

/// A step that was on when the session was cut off.
struct InterruptedStep {
    number: i64,
    name: String,
    channel: Option<String>,
    limit: Option<Limit>,
    first_row: i64,
}

/// The worst sample that counted.
#[derive(Debug, Clone, Copy)]
struct WorstSample {
    at_us: i64,
    value: Value,
    quantity: Quantity,
    /// What its last digit is worth, base units; none where that is not known.
    digit: Option<f64>,
    verdict: Verdict,
}

impl InterruptedStep {
    fn read(row: &rusqlite::Row) -> rusqlite::Result<Self> {
        let unit: Option<String> = row.get(3)?;
        let dimension = unit.and_then(|unit| {
            Quantity::VARIANTS.iter().map(|quantity| quantity.dimension()).find(|dimension| dimension.unit() == unit)
        });
        let (low, high): (Option<f64>, Option<f64>) = (row.get(4)?, row.get(5)?);
        let limit = dimension.map(|dimension| Limit { low, high, dimension });
        Ok(Self { number: row.get(0)?, name: row.get(1)?, channel: row.get(2)?, limit, first_row: row.get(6)? })
    }

    /// Stores the figures of its signals, and where it wanted the worst of all samples, that: returns the capture's rowid and its
    /// judgement.
    fn store_capture(
        &self,
        connection: &Connection,
        session: i64,
        last_row: i64,
    ) -> rusqlite::Result<Option<(i64, JudgementRecord)>> {
        let worst = self.keep_figures(connection, session, last_row)?;
        let earlier = self.earlier_worst(connection, session)?;
        let Some(limit) = &self.limit else { return Ok(None) };
        let worse = [worst, earlier]
            .into_iter()
            .flatten()
            .reduce(|one, other| if excess(limit, other.value) > excess(limit, one.value) { other } else { one });
        match worse {
            Some(worst) if self.wants_worst(connection, session)? => {
                self.keep_worst(connection, session, limit, &worst).map(Some)
            }
            _ => Ok(None),
        }
    }

    /// Keeps the figures; returns the worst sample on the step's channel that counted.
    fn keep_figures(
        &self,
        connection: &Connection,
        session: i64,
        last_row: i64,
    ) -> rusqlite::Result<Option<WorstSample>> {
        let mut figures: BTreeMap<i64, Figures> = BTreeMap::new();
        let mut worst: Option<WorstSample> = None;
        let sql = "SELECT sample.time_us, sample.channel, sample.value, sample.state, sample.verdict, channel.name, channel.quantity, sample.place, channel.scale
                   FROM sample JOIN channel ON channel.id = sample.channel
                   WHERE sample.rowid BETWEEN ?1 AND ?2 ORDER BY sample.rowid";
        let mut statement = connection.prepare(sql)?;
        let mut samples = statement.query([self.first_row, last_row])?;
        while let Some(row) = samples.next()? {
            let (at_us, channel): (i64, i64) = (row.get(0)?, row.get(1)?);
            let state: i64 = row.get::<_, Option<i64>>(3)?.unwrap_or(0);
            let Some(value) = sample_value(row.get(2)?, state) else { continue };
            let verdict = row.get::<_, Option<i64>>(4)?.and_then(Verdict::from_code);
            let digit = digit(row)?;
            figures.entry(channel).or_default().add(Mono(at_us), value, digit, verdict);
            let counts = matches!(verdict, Some(Verdict::InLimit | Verdict::OutOfLimit | Verdict::TooCloseToCall));
            let (Some(limit), Some(verdict), true) = (&self.limit, verdict, counts) else { continue };
            let quantity = row.get_ref(6)?.as_str()?.parse::<Quantity>().ok();
            if row.get_ref(5)?.as_str()? == self.channel.as_deref().unwrap_or_default()
                && let Some(quantity) = quantity
                && worst.is_none_or(|worst| excess(limit, value) > excess(limit, worst.value))
            {
                worst = Some(WorstSample { at_us, value, quantity, digit, verdict });
            }
        }
        for (channel, figures) in &figures {
            figure_row(connection, session, self.number, *channel, figures)?;
        }
        Ok(worst)
    }

    /// What the session that this one continues had seen in the same step when it was cut off, where this is the step
    /// with which this session began.
    fn earlier_worst(&self, connection: &Connection, session: i64) -> rusqlite::Result<Option<WorstSample>> {
        if self.number != 1 {
            return Ok(None);
        }
        let sql = "SELECT capture.value, capture.beyond, capture.quantity, capture.verdict, capture.digit
                   FROM session AS own
                   JOIN session AS before ON before.uuid = own.continues
                   JOIN step ON step.session = before.id AND step.left_how = 'interrupted' AND step.name = ?2
                       AND step.judgement = COALESCE((SELECT json_extract(content, '$.continued_judgement') FROM input
                           WHERE session = own.id AND kind = 'bench'), 0)
                   JOIN capture ON capture.id = step.capture AND capture.how = 'worst'
                   WHERE own.id = ?1 ORDER BY step.number DESC LIMIT 1";
        let found = connection
            .query_row(sql, params![session, self.name], |row| {
                let value = column_value(row.get(0)?, row.get(1)?);
                let quantity = row.get::<_, Option<String>>(2)?.and_then(|word| word.parse().ok());
                let verdict = row.get::<_, Option<String>>(3)?.and_then(|word| word.parse().ok());
                Ok(value.zip(quantity).zip(verdict).zip(Some(row.get(4)?)))
            })
            .optional()?
            .flatten();
        Ok(found.map(|(((value, quantity), verdict), digit)| WorstSample { at_us: 0, value, quantity, digit, verdict }))
    }

    /// Whether the procedure asks for the worst of the whole step.
    fn wants_worst(&self, connection: &Connection, session: i64) -> rusqlite::Result<bool> {
        let text: Option<String> =
            connection.query_row("SELECT procedure_text FROM session WHERE id = ?1", [session], |row| row.get(0))?;
        let procedure = text.and_then(|text| Procedure::parse("the procedure of that session", &text).ok());
        let mode = procedure
            .and_then(|procedure| procedure.steps.iter().find(|step| step.name == self.name).map(|step| step.capture));
        Ok(mode == Some(CaptureMode::Worst))
    }

    fn keep_worst(
        &self,
        connection: &Connection,
        session: i64,
        limit: &Limit,
        worst: &WorstSample,
    ) -> rusqlite::Result<(i64, JudgementRecord)> {
        let shown = match worst.value {
            Value::Number(value) => ValueFormat::new(worst.quantity, worst.digit, Some(limit)).show(value),
            Value::Over => "beyond the meter's range".to_owned(),
            Value::Under => "below the meter's range".to_owned(),
        };
        let judgement = JudgementRecord {
            verdict: Some(worst.verdict),
            value: Some(worst.value),
            measured: None,
            measured_u: None,
            digit: worst.digit,
            answer: None,
            quantity: Some(worst.quantity),
            unit: Some(worst.quantity.unit().to_owned()),
            u: None,
            limit_low: limit.low,
            limit_high: limit.high,
            conformity: None,
            reason: format!("{shown} was the worst until the session was cut off, {limit} wanted"),
        };
        let capture = NewCapture {
            session,
            step: Some(self.number),
            how: CaptureMethod::Worst,
            at_us: worst.at_us,
            channel: self.channel.as_deref(),
            judgement,
            deviation: None,
            readings: None,
            peak: None,
            proof: String::new(),
            flags: String::new(),
        };
        Ok((capture.insert(connection)?, capture.judgement))
    }
}

/// What a stored sample's last digit is worth in circuit terms; none where it is not known.
fn digit(row: &rusqlite::Row) -> rusqlite::Result<Option<f64>> {
    let (decade, scale): (Option<i32>, String) = (row.get("place")?, row.get("scale")?);
    let factor = scale.parse::<Scale>().map_or(1.0, |scale| scale.factor.abs());
    Ok(decade.map(|decade| 10f64.powi(decade) * factor))
}
