//! The samples of one channel over a stretch of time, as coarse as is asked for: by roll-ups where there are some, and by the
//! samples themselves where there are none yet, such as the last seconds of an open session.

use rusqlite::{Connection, OptionalExtension};

use super::SessionRow;
use crate::store::{
    StoreError,
    rollup::{EVERY_US, RollUp, WIDTHS_US},
};

/// What is not rolled up yet is younger than this beside the newest that is, µs: it covers what a channel may lag behind.
const LAG_US: i64 = 10_000_000;
/// The widest interval of which only the dense are kept.
const NARROW_US: i64 = WIDTHS_US[1];

/// The first row of a session that may not be rolled up.
pub(super) fn first_open_row(connection: &Connection, session: &SessionRow) -> Result<i64, StoreError> {
    let mut newest = connection.prepare_cached(
        "SELECT MAX(start_us) FROM rollup WHERE channel IN (SELECT id FROM channel WHERE session = ?1) AND width_us = ?2",
    )?;
    let newest: Option<i64> = newest.query_row((session.id, EVERY_US), |row| row.get(0))?;
    let mut first = connection.prepare_cached(
        "SELECT MIN(first_row) FROM rollup WHERE channel IN (SELECT id FROM channel WHERE session = ?1) AND width_us = ?2
             AND start_us >= ?3",
    )?;
    let open_row: Option<i64> = match newest {
        Some(newest) => first.query_row((session.id, EVERY_US, newest - LAG_US), |row| row.get(0))?,
        None => None,
    };
    Ok(open_row.unwrap_or(session.first_row))
}

/// Reads one channel of a session.
pub(crate) struct RolledChannel<'a> {
    connection: &'a Connection,
    session: &'a SessionRow,
    channel: i64,
    /// The first row of the session that may not be rolled up.
    open_row: i64,
}

impl<'a> RolledChannel<'a> {
    /// The channel of this number.
    pub(crate) fn new(connection: &'a Connection, session: &'a SessionRow, channel: i64) -> Result<Self, StoreError> {
        Ok(Self { connection, session, channel, open_row: first_open_row(connection, session)? })
    }

    /// The times of the first and the last sample, µs since the session began; none without a sample.
    pub(crate) fn ends(&self) -> Result<Option<(i64, i64)>, StoreError> {
        let sql = |order: &str| {
            format!("SELECT * FROM rollup WHERE channel = ?1 AND width_us = ?2 ORDER BY start_us {order} LIMIT 1")
        };
        let row = |order: &str| -> Result<Option<RollUp>, StoreError> {
            let mut statement = self.connection.prepare_cached(&sql(order))?;
            Ok(statement.query_row((self.channel, EVERY_US), RollUp::read).optional()?)
        };
        let mut ends = row("ASC")?.map(|first| first.first.0).zip(row("DESC")?.map(|last| last.last.0));
        self.raw(self.tail_row()?, self.session.last_row, i64::MIN, i64::MAX, &mut |sample| {
            let (first, last) = ends.unwrap_or((sample.first.0, sample.first.0));
            ends = Some((first.min(sample.first.0), last.max(sample.first.0)));
        })?;
        Ok(ends)
    }

    /// Calls `each` with what lies from one time to before another, in the order of time, in intervals of at most a width; with
    /// the samples themselves where the width is narrower than any roll-up. An interval is whole, even where it reaches over an
    /// end.
    pub(crate) fn for_each(
        &self,
        from: i64,
        to: i64,
        width_us: i64,
        each: &mut impl FnMut(&RollUp),
    ) -> Result<(), StoreError> {
        match WIDTHS_US.iter().rposition(|own| *own <= width_us) {
            Some(level) if WIDTHS_US[level] >= EVERY_US => self.wide(level, from, to, each),
            level => self.narrow(level, from, to, each),
        }
    }

    /// The level itself, then what is not rolled up to it, by narrower ones.
    fn wide(&self, level: usize, from: i64, to: i64, each: &mut impl FnMut(&RollUp)) -> Result<(), StoreError> {
        let width_us = WIDTHS_US[level];
        let mut end = from;
        for rollup in self.level(width_us, from, to)? {
            end = rollup.start(width_us) + width_us;
            each(&rollup);
        }
        if end >= to {
            return Ok(());
        }
        if width_us > EVERY_US {
            return self.wide(level - 1, end, to, each);
        }
        self.raw(self.tail_row()?, self.session.last_row, end, to, each)
    }

    /// Seconds whose narrow intervals are all there by these, other ones by their samples.
    fn narrow(
        &self,
        level: Option<usize>,
        from: i64,
        to: i64,
        each: &mut impl FnMut(&RollUp),
    ) -> Result<(), StoreError> {
        let seconds = self.level(EVERY_US, from, to)?;
        let narrow = match level {
            Some(level) => self.level(WIDTHS_US[level], from.div_euclid(EVERY_US) * EVERY_US, to)?,
            None => Vec::new(),
        };
        let mut narrow = narrow.into_iter().peekable();
        for second in &seconds {
            let (start, mut own, mut count) = (second.start(EVERY_US), Vec::new(), 0);
            while let Some(next) = narrow.next_if(|next| next.first.0 < start + EVERY_US) {
                if next.first.0 >= start {
                    count += next.count;
                    own.push(next);
                }
            }
            if count == second.count {
                own.iter().filter(|own| own.last.0 >= from && own.first.0 < to).for_each(&mut *each);
            } else {
                let (first, last) = (start.max(from), (start + EVERY_US).min(to));
                self.raw(second.rows.0, second.rows.1, first, last, each)?;
            }
        }
        let end = seconds.last().map_or(from, |second| (second.start(EVERY_US) + EVERY_US).max(from));
        self.raw(self.tail_row()?, self.session.last_row, end, to, each)
    }

    /// Whether intervals narrower than a second are kept anywhere in a stretch of time.
    pub(crate) fn is_dense(&self, from: i64, to: i64) -> Result<bool, StoreError> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM rollup WHERE channel = ?1 AND width_us = ?2 AND start_us BETWEEN ?3 AND ?4)";
        let mut statement = self.connection.prepare_cached(sql)?;
        Ok(statement.query_row((self.channel, NARROW_US, from, to), |row| row.get(0))?)
    }

    fn level(&self, width_us: i64, from: i64, to: i64) -> Result<Vec<RollUp>, StoreError> {
        let sql = "SELECT * FROM rollup WHERE channel = ?1 AND width_us = ?2 AND start_us >= ?3 AND start_us < ?4
                   ORDER BY start_us";
        let mut statement = self.connection.prepare_cached(sql)?;
        let first = from.div_euclid(width_us).saturating_mul(width_us);
        let rows = statement.query_map((self.channel, width_us, first, to), RollUp::read)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// The first row of the channel that may not be rolled up.
    fn tail_row(&self) -> Result<i64, StoreError> {
        let sql = "SELECT last_row FROM rollup WHERE channel = ?1 AND width_us = ?2 ORDER BY start_us DESC LIMIT 1";
        let mut statement = self.connection.prepare_cached(sql)?;
        let last: Option<i64> = statement.query_row((self.channel, EVERY_US), |row| row.get(0)).optional()?;
        Ok(last.map_or(self.session.first_row, |last| last + 1).max(self.open_row))
    }

    /// The samples of the channel in a range of rows, as far as their time fits.
    fn raw(&self, first: i64, last: i64, from: i64, to: i64, each: &mut impl FnMut(&RollUp)) -> Result<(), StoreError> {
        let sql = "SELECT rowid, time_us, value FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND channel = ?3
                       AND time_us >= ?4 AND time_us < ?5 ORDER BY rowid";
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query((first, last, self.channel, from, to))?;
        while let Some(row) = rows.next()? {
            each(&RollUp::of(row.get(1)?, row.get(2)?, row.get(0)?));
        }
        Ok(())
    }
}
