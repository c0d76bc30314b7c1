//! Writes the core's records as rows.
//!
//! Reading order: here, `step` (steps and captures), `single` (what needs nothing of what the writer keeps), `watched`, `again` (an
//! open session once more, into another database).

mod again;
mod single;
mod step;
mod watched;

use std::sync::Arc;

use rusqlite::{Connection, ToSql, params};
use serde::Serialize;

pub(super) use again::is_of_content;
pub(super) use single::corrected;
pub(super) use single::figure_row;
use single::{anchor, channel_row, keep_findings, keep_input, photo_row, photo_undone, stored_channel, utc};
pub(super) use step::{ClosedStep, NewCapture};
use watched::{change_row, dropout_rows, excursion_row, response_row};

use super::{
    insert::{Remainder, SampleRow, SampleSql},
    record::{insert, insert_record},
    rollup::{RollUp, RollUpWriter},
    sample_hash::SampleHasher,
};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::Mono,
    session::{Begin, Record, Verdict, Visit, Zeroed},
    units::Quantity,
};

/// A session is over.
pub(super) fn close_session(
    connection: &Connection,
    session: i64,
    ended_us: i64,
    how: &'static str,
    last_row: i64,
) -> rusqlite::Result<()> {
    let sql = "UPDATE session SET ended_us = ?2, ended_how = ?3, last_row = ?4 WHERE id = ?1";
    connection.prepare_cached(sql)?.execute(params![session, ended_us, how, last_row]).map(drop)
}

/// The state that the writer keeps from row to row. A clone restores it when a transaction is rolled back.
#[derive(Debug, Clone)]
pub(super) struct RowWriter {
    sql: Arc<SampleSql>,
    /// Rowid of the next sample, where those in `pending` count as stored.
    next_row: i64,
    /// The highest number of a session so far, those of older files included.
    last_session: i64,
    /// Samples that wait to fill a statement.
    pending: Vec<SampleRow>,
    /// The open session's number and begin.
    session: Option<(i64, Mono)>,
    channels: Vec<Option<Arc<Channel>>>,
    /// Whether samples are written; otherwise their rows are only counted.
    is_writing_samples: bool,
    /// By channel: its rows of this session, one for each quantity.
    rows: Vec<Vec<(Quantity, i64)>>,
    /// None where the samples of the session are not rolled up as they come.
    rollups: Option<RollUpWriter>,
    /// None like them.
    hashes: Option<SampleHasher>,
}

impl RowWriter {
    /// `before` is the highest number of a session in older files.
    pub(super) fn new(connection: &Connection, before: i64) -> rusqlite::Result<Self> {
        let last: i64 = connection.query_row("SELECT COALESCE(MAX(rowid), 0) FROM sample", [], |row| row.get(0))?;
        let session: i64 = connection.query_row("SELECT COALESCE(MAX(id), 0) FROM session", [], |row| row.get(0))?;
        Ok(Self {
            sql: Arc::new(SampleSql::new()),
            next_row: last + 1,
            last_session: session.max(before),
            pending: Vec::new(),
            session: None,
            channels: Vec::new(),
            is_writing_samples: true,
            rows: Vec::new(),
            rollups: None,
            hashes: None,
        })
    }

    /// In a session whose row and channels are there already, and whose samples begin at this rowid.
    pub(super) fn of_session(session: i64, first_row: i64, is_writing_samples: bool) -> Self {
        Self {
            sql: Arc::new(SampleSql::new()),
            next_row: first_row,
            last_session: session,
            pending: Vec::new(),
            session: Some((session, Mono(0))),
            channels: Vec::new(),
            is_writing_samples,
            rows: Vec::new(),
            rollups: None,
            hashes: None,
        }
    }

    /// The next sample has this rowid, where samples are only counted.
    pub(super) fn go_on_at(&mut self, row: i64) {
        if !self.is_writing_samples {
            self.next_row = row;
        }
    }

    /// Rowid of the next sample.
    pub(super) fn next_row(&self) -> i64 {
        self.next_row
    }

    /// The open session's number.
    pub(super) fn session(&self) -> Option<i64> {
        self.session.map(|(session, _)| session)
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

    /// Writes the samples that wait.
    pub(super) fn flush(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        self.sql.insert(connection, &self.pending, Remainder::Insert)?;
        self.pending.clear();
        if let Some((hashes, (session, _))) = self.hashes.as_mut().zip(self.session) {
            hashes.write(connection, session)?;
        }
        self.rollups.as_mut().map_or(Ok(()), |rollups| rollups.write(connection))
    }

    fn within(&mut self, connection: &Connection, session: i64, began: Mono, record: &Record) -> rusqlite::Result<()> {
        match record {
            Record::SessionEnded(at, how) => {
                if let Some(mut rollups) = self.rollups.take() {
                    rollups.finish(connection)?;
                }
                if let Some(mut hashes) = self.hashes.take() {
                    hashes.write(connection, session)?;
                }
                close_session(connection, session, at.since(began), how.word(), self.next_row - 1)?;
                self.session = None;
            }
            Record::StepBegan(step) => self.step_began(connection, session, began, step)?,
            Record::StepEnded(step) => self.step_ended(connection, session, began, step)?,
            Record::Captured(step, capture) => {
                self.capture(connection, session, began, *step, capture)?;
            }
            Record::Event(at, kind, subject, text) => {
                let at_us = at.since(began);
                let columns: &[(&str, &dyn ToSql)] = &[
                    ("session", &session),
                    ("at_us", &at_us),
                    ("kind", &kind.word()),
                    ("subject", subject),
                    ("text", text),
                ];
                insert(connection, "event", columns)?;
            }
            Record::Excursion(excursion) => excursion_row(connection, session, began, excursion)?,
            Record::Intermittent(intermittent) => dropout_rows(connection, session, began, intermittent)?,
            Record::Change(change) => change_row(connection, session, began, change)?,
            Record::Response(response) => response_row(connection, session, began, response)?,
            Record::Corrected(at, correction) => {
                corrected(connection, session, at.since(began), correction)?;
                // The words of the visit's fields are columns; a temperature that is not given is NULL.
                let sql = format!("UPDATE session SET {} = ?2 WHERE id = ?1", correction.field.word());
                let value = correction.field.column_value(&correction.value_after);
                connection.prepare_cached(&sql)?.execute(params![session, value])?;
            }
            Record::Photo(at, photo) => photo_row(connection, session, at.since(began), photo)?,
            Record::PhotoUndone(at, hash) => photo_undone(connection, session, at.since(began), hash)?,
            Record::Findings { findings, ends_at } => keep_findings(connection, session, findings, *ends_at)?,
            Record::Zeroed(at, id, zeroed) => self.zeroed(connection, session, at.since(began), *id, zeroed)?,
            Record::Input(at, input) => keep_input(connection, session, at.since(began), self.next_row, input)?,
            Record::Anchor(at, wall) => anchor(connection, session, at.since(began), *wall)?,
            Record::SessionBegan(..) | Record::Channel(..) | Record::Samples(..) => {}
        }
        Ok(())
    }

    fn session_began(&mut self, connection: &Connection, at: Mono, begin: &Begin) -> rusqlite::Result<()> {
        #[derive(Serialize)]
        struct NewSession<'a> {
            id: i64,
            uuid: String,
            began_utc: String,
            began_utc_us: i64,
            continues: Option<String>,
            retests: Option<String>,
            #[serde(flatten)]
            visit: &'a Visit,
            procedure_title: Option<&'a str>,
            procedure_text: Option<&'a str>,
            bench_text: &'a str,
            program: &'static str,
            first_row: i64,
        }
        let procedure = begin.procedure.as_ref();
        let row = NewSession {
            id: self.last_session + 1,
            uuid: begin.id.to_string(),
            began_utc: utc(begin.wall),
            began_utc_us: begin.wall.0,
            continues: begin.previous.as_ref().map(|previous| previous.id.to_string()),
            retests: begin.retests.map(|id| id.to_string()),
            visit: &begin.visit,
            procedure_title: procedure.map(|procedure| procedure.title.as_str()),
            procedure_text: procedure.map(|procedure| procedure.text.as_str()),
            bench_text: &begin.bench,
            program: env!("CARGO_PKG_VERSION"),
            first_row: self.next_row,
        };
        let session = insert_record(connection, "session", &row)?;
        self.session = Some((session, at));
        self.last_session = session;
        self.rows.clear();
        self.rollups = Some(RollUpWriter::default());
        self.hashes = Some(SampleHasher::default());
        anchor(connection, session, 0, begin.wall)
    }

    fn channel(&mut self, id: ChannelId, channel: &Channel) {
        let index = usize::from(id.0);
        if index >= self.channels.len() {
            self.channels.resize(index + 1, None);
        }
        self.channels[index] = Some(Arc::new(channel.clone()));
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
        let columns: &[(&str, &dyn ToSql)] = &[
            ("session", &session),
            ("at_us", &at_us),
            ("channel", &channel.map(|channel| &channel.name)),
            ("quantity", &zeroed.quantity.word()),
            ("unit", &zeroed.quantity.unit()),
            ("value", &zeroed.offset),
            ("drift", &zeroed.drift),
            ("u", &zeroed.u),
        ];
        insert(connection, "zero", columns).map(drop)
    }

    fn samples(
        &mut self,
        connection: &Connection,
        samples: &[Sample],
        verdicts: &[Option<Verdict>],
    ) -> rusqlite::Result<()> {
        let Some((session, began)) = self.session else { return Ok(()) };
        if !self.is_writing_samples {
            self.next_row += samples.len() as i64;
            return Ok(());
        }
        for (sample, verdict) in samples.iter().zip(verdicts) {
            let channel = self.row_of(connection, session, sample.channel, sample.quantity)?;
            let row = SampleRow::new(sample, *verdict, began, channel);
            if let Some(rollups) = &mut self.rollups {
                rollups.push(channel, RollUp::of(row.time_us, row.value, self.next_row));
            }
            if let Some(hashes) = &mut self.hashes {
                hashes.push(&row, self.next_row);
            }
            self.next_row += 1;
            self.pending.push(row);
        }
        let stored = self.sql.insert(connection, &self.pending, Remainder::KeepBack)?;
        self.pending.drain(..stored);
        Ok(())
    }

    /// The row of a channel on a function, inserted with its first sample.
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
        let row = match stored_channel(connection, session, &channel.name, quantity)? {
            Some(row) => row,
            None => channel_row(connection, session, channel, quantity, None)?,
        };
        if index >= self.rows.len() {
            self.rows.resize(index + 1, Vec::new());
        }
        self.rows[index].push((quantity, row));
        Ok(row)
    }
}
