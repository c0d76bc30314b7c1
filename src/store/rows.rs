//! Records become rows.

use std::sync::Arc;

use rusqlite::{Connection, params};

use super::insert::{Rest, SampleRow, SampleSql};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::{Mono, Wall},
    protocol::Value,
    session::{Begin, Capture, Judgement, Record, StepBegan, StepEnded, Verdict, Zeroed, findings::Finding},
    units::Quantity,
};

/// What the writer must remember from row to row. A clone of it goes back to where a transaction began.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    sql: Arc<SampleSql>,
    /// Rowid of the next sample, those in `pending` counted as stored.
    next_row: i64,
    /// Samples that wait to fill a statement.
    pending: Vec<SampleRow>,
    /// The open session's number and begin.
    session: Option<(i64, Mono)>,
    channels: Vec<Option<Arc<Channel>>>,
    /// By channel: its rows of this session, one for each quantity.
    rows: Vec<Vec<(Quantity, i64)>>,
}

impl Rows {
    pub(super) fn new(connection: &Connection) -> rusqlite::Result<Self> {
        let last: i64 = connection.query_row("SELECT COALESCE(MAX(rowid), 0) FROM sample", [], |row| row.get(0))?;
        Ok(Self {
            sql: Arc::new(SampleSql::new()),
            next_row: last + 1,
            pending: Vec::new(),
            session: None,
            channels: Vec::new(),
            rows: Vec::new(),
        })
    }

    /// Writes one record into the open transaction.
    pub(super) fn apply(&mut self, connection: &Connection, record: &Record) -> rusqlite::Result<()> {
        if let Record::Samples(samples, verdicts) = record {
            return self.samples(connection, samples, verdicts);
        }
        match record {
            Record::SessionBegan(at, begin) => self.session_began(connection, *at, begin),
            Record::Channel(id, channel) => {
                self.channel(*id, channel);
                Ok(())
            }
            // Everything else belongs to a session.
            record => match self.session {
                Some((session, began)) => self.within(connection, session, began, record),
                None => Ok(()),
            },
        }
    }

    /// Writes what waits.
    pub(super) fn flush(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        self.sql.insert(connection, &self.pending, Rest::Insert)?;
        self.pending.clear();
        Ok(())
    }

    fn within(&mut self, connection: &Connection, session: i64, began: Mono, record: &Record) -> rusqlite::Result<()> {
        match record {
            Record::SessionEnded(at, how) => {
                let mut statement = connection
                    .prepare_cached("UPDATE session SET ended_us = ?2, ended_how = ?3, last_row = ?4 WHERE id = ?1")?;
                statement.execute(params![session, at.since(began), how.word(), self.next_row - 1])?;
                self.session = None;
            }
            Record::StepBegan(step) => self.step_began(connection, session, began, step)?,
            Record::StepEnded(step) => self.step_ended(connection, session, began, step)?,
            Record::Captured(step, capture) => {
                self.capture(connection, session, began, *step, capture)?;
            }
            Record::Event(at, kind, subject, text) => {
                connection
                    .prepare_cached(
                        "INSERT INTO event (session, at_us, kind, subject, text) VALUES (?1, ?2, ?3, ?4, ?5)",
                    )?
                    .execute(params![session, at.since(began), kind.word(), subject, text])?;
            }
            Record::Findings(findings) => keep_findings(connection, session, findings)?,
            Record::Zeroed(at, id, zeroed) => self.zeroed(connection, session, at.since(began), *id, zeroed)?,
            Record::Anchor(at, wall) => anchor(connection, session, at.since(began), *wall)?,
            Record::SessionBegan(..) | Record::Channel(..) | Record::Samples(..) => {}
        }
        Ok(())
    }

    fn session_began(&mut self, connection: &Connection, at: Mono, begin: &Begin) -> rusqlite::Result<()> {
        let procedure = begin.procedure.as_ref();
        let visit = &begin.visit;
        connection
            .prepare_cached(
                "INSERT INTO session (uuid, began_utc, began_utc_us, machine, job, vin, counter, complaint, ambient_c, part_c,
                    procedure_title, procedure_text, bench_text, program, first_row, continues)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)",
            )?
            .execute(params![
                begin.id.to_string(),
                utc(begin.wall),
                begin.wall.0,
                visit.machine,
                visit.job,
                visit.vin,
                visit.counter,
                visit.complaint,
                visit.ambient_celsius,
                visit.part_celsius,
                procedure.map(|procedure| &procedure.title),
                procedure.map(|procedure| &procedure.text),
                begin.bench,
                env!("CARGO_PKG_VERSION"),
                self.next_row,
                begin.previous.as_ref().map(|previous| previous.id.to_string()),
            ])?;
        let session = connection.last_insert_rowid();
        self.session = Some((session, at));
        self.rows.clear();
        anchor(connection, session, 0, begin.wall)
    }

    fn channel(&mut self, id: ChannelId, channel: &Channel) {
        let index = usize::from(id.0);
        if index >= self.channels.len() {
            self.channels.resize(index + 1, None);
        }
        self.channels[index] = Some(Arc::new(channel.clone()));
    }

    fn step_began(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: &StepBegan,
    ) -> rusqlite::Result<()> {
        let view = &step.view;
        connection
            .prepare_cached(
                "INSERT INTO step (session, number, place, attempt, name, circuit, instruction, channel, quantity, unit,
                    limit_low, limit_high, began_us, first_row)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
            )?
            .execute(params![
                session,
                view.number,
                view.place.map(|(place, _)| place as i64),
                view.attempt,
                view.name,
                view.circuit,
                view.instruction,
                view.channel,
                view.quantity.map(Quantity::word),
                view.limit.map(|limit| limit.dimension.unit()),
                view.limit.and_then(|limit| limit.low),
                view.limit.and_then(|limit| limit.high),
                step.at.since(began),
                self.next_row,
            ])?;
        Ok(())
    }

    fn step_ended(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: &StepEnded,
    ) -> rusqlite::Result<()> {
        for signal in &step.figures {
            let channel = self.row_of(connection, session, signal.channel, signal.quantity)?;
            let figures = &signal.figures;
            let numbers = &figures.numbers;
            connection
                .prepare_cached(
                    "INSERT INTO figure (session, step, channel, count, beyond, last, mean, deviation, min, max, outside_us)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                )?
                .execute(params![
                    session,
                    step.number,
                    channel,
                    numbers.count() as i64,
                    figures.beyond as i64,
                    figures.last,
                    numbers.mean(),
                    numbers.deviation(),
                    numbers.min(),
                    numbers.max(),
                    figures.outside_us,
                ])?;
        }
        let capture = match &step.capture {
            Some(capture) => Some(self.capture_once(connection, session, began, step.number, capture)?),
            None => None,
        };
        let judgement = step.capture.as_ref().map(|capture| &capture.judgement);
        connection
            .prepare_cached(
                "UPDATE step SET ended_us = ?3, left_how = ?4, capture = ?5, verdict = ?6, reason = ?7, last_row = ?8
                 WHERE session = ?1 AND number = ?2",
            )?
            .execute(params![
                session,
                step.number,
                step.at.since(began),
                step.left.word(),
                capture,
                judgement.and_then(Judgement::verdict).map(Verdict::word),
                judgement.map(|judgement| &judgement.reason),
                self.next_row - 1,
            ])?;
        Ok(())
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

    fn capture(
        &mut self,
        connection: &Connection,
        session: i64,
        began: Mono,
        step: Option<u32>,
        capture: &Capture,
    ) -> rusqlite::Result<i64> {
        let judgement = &capture.judgement;
        let (quantity, limit) = (judgement.quantity(), judgement.limit());
        let settled = capture.settled.as_ref();
        let peak = match capture.peak {
            Some(Value::Number(peak)) => Some(peak),
            _ => None,
        };
        let channel = capture.channel.and_then(|id| self.channels.get(usize::from(id.0))?.as_ref());
        let (number, beyond) = match judgement.value() {
            Some(Value::Number(value)) => (Some(value), None),
            Some(Value::Over) => (None, Some(1)),
            Some(Value::Under) => (None, Some(-1)),
            None => (None, None),
        };
        connection
            .prepare_cached(
                "INSERT INTO capture (session, step, how, at_us, channel, quantity, unit, value, beyond, measured, u, deviation,
                    readings, peak, limit_low, limit_high, conformity, verdict, reason)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)",
            )?
            .execute(params![
                session,
                step,
                capture.how.word(),
                capture.at.since(began),
                channel.map(|channel| &channel.name),
                quantity.map(Quantity::word),
                quantity.map(Quantity::unit),
                number,
                beyond,
                judgement.measured(),
                judgement.u(),
                settled.map(|settled| settled.deviation),
                settled.map(|settled| settled.count as i64),
                peak,
                limit.and_then(|limit| limit.low),
                limit.and_then(|limit| limit.high),
                judgement.conformity(),
                judgement.verdict().map(Verdict::word),
                judgement.reason,
            ])?;
        Ok(connection.last_insert_rowid())
    }

    fn zeroed(
        &self,
        connection: &Connection,
        session: i64,
        at_us: i64,
        id: ChannelId,
        zeroed: &Zeroed,
    ) -> rusqlite::Result<()> {
        let channel = self.channels.get(usize::from(id.0)).and_then(Option::as_ref);
        connection
            .prepare_cached(
                "INSERT INTO zero (session, at_us, channel, quantity, unit, value, drift, u)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            )?
            .execute(params![
                session,
                at_us,
                channel.map(|channel| &channel.name),
                zeroed.quantity.word(),
                zeroed.quantity.unit(),
                zeroed.offset,
                zeroed.drift,
                zeroed.u,
            ])?;
        Ok(())
    }

    fn samples(
        &mut self,
        connection: &Connection,
        samples: &[Sample],
        verdicts: &[Option<Verdict>],
    ) -> rusqlite::Result<()> {
        let Some((session, began)) = self.session else { return Ok(()) };
        for (sample, verdict) in samples.iter().zip(verdicts) {
            let channel = self.row_of(connection, session, sample.channel, sample.quantity)?;
            self.pending.push(SampleRow::new(sample, *verdict, began, channel));
        }
        self.next_row += samples.len() as i64;
        let stored = self.sql.insert(connection, &self.pending, Rest::KeepBack)?;
        self.pending.drain(..stored);
        Ok(())
    }

    /// The row of a channel on a function, made at first sight.
    fn row_of(
        &mut self,
        connection: &Connection,
        session: i64,
        id: ChannelId,
        quantity: Quantity,
    ) -> rusqlite::Result<i64> {
        let index = usize::from(id.0);
        let known = self.rows.get(index).and_then(|rows| rows.iter().find(|(other, _)| *other == quantity));
        if let Some((_, row)) = known {
            return Ok(*row);
        }
        let channel = self.channels.get(index).and_then(Option::as_ref).expect("a channel precedes its samples");
        connection
            .prepare_cached(
                "INSERT INTO channel (session, name, quantity, unit, meter, reads, scale, accuracy)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            )?
            .execute(params![
                session,
                channel.name,
                quantity.word(),
                quantity.unit(),
                channel.meter_name,
                channel.reads,
                channel.conversion.scale.as_ref().map_or("", |scale| &scale.text),
                channel.conversion.accuracy.as_ref().map_or("", |sheet| &sheet.text),
            ])?;
        let row = connection.last_insert_rowid();
        if index >= self.rows.len() {
            self.rows.resize(index + 1, Vec::new());
        }
        self.rows[index].push((quantity, row));
        Ok(row)
    }
}

fn keep_findings(connection: &Connection, session: i64, findings: &[Finding]) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM finding WHERE session = ?1", [session])?;
    let mut insert = connection.prepare_cached(
        "INSERT INTO finding (session, rank, kind, circuits, sentence, sure, weight, z, evidence, alternatives, next)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
    )?;
    for (rank, finding) in (1..).zip(findings) {
        let alternatives: Vec<&str> = finding.alternatives.iter().map(|other| other.sentence.as_str()).collect();
        insert.execute(params![
            session,
            rank,
            finding.kind.word(),
            finding.circuits.join("\n"),
            finding.sentence,
            finding.confidence.level.word(),
            finding.confidence.weight,
            finding.confidence.z,
            finding.evidence.join("\n"),
            alternatives.join("\n"),
            finding.next,
        ])?;
    }
    Ok(())
}

fn anchor(connection: &Connection, session: i64, at_us: i64, wall: Wall) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO anchor (session, at_us, utc_us) VALUES (?1, ?2, ?3)")?
        .execute(params![session, at_us, wall.0])?;
    Ok(())
}

/// RFC 3339 in UTC, to the microsecond.
fn utc(wall: Wall) -> String {
    jiff::Timestamp::from_microsecond(wall.0).map_or_else(|_| String::new(), |time| format!("{time:.6}"))
}
