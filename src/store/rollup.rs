//! Samples rolled up in intervals of time, so that a plot of any stretch reads a few thousand rows without losing an extreme.
//!
//! Each width is eight times the one before. A sample goes into the narrowest interval, which goes into the next one as it is
//! full: constant work for each sample. From first, least, greatest and last of an interval a line looks the same as one through
//! all samples (Jugel et al., M4, VLDB 2014; from memory).

use rusqlite::{Connection, OptionalExtension, Row, ToSql};

/// The widths, µs: from 1/64 s to over an hour.
pub(crate) const WIDTHS_US: [i64; 7] = [15_625, 125_000, 1_000_000, 8_000_000, 64_000_000, 512_000_000, 4_096_000_000];
/// Of narrower ones than this only the dense are kept; of this one and wider ones all.
pub(crate) const EVERY_US: i64 = WIDTHS_US[SECOND];
/// The place of a second among the widths.
const SECOND: usize = 2;
/// An interval is dense from so many samples.
const DENSE: i64 = 16;
/// What was silent for so long is rolled up as far as it is, µs.
pub(crate) const IDLE_US: i64 = 2_000_000;

/// Columns that are made of whole intervals: where the first one begins, and how wide each is, from where and how wide they are
/// wanted, µs.
pub(crate) fn whole_columns(from_us: i64, width_us: i64) -> (i64, i64) {
    let widest = |width: i64| WIDTHS_US.iter().rev().find(|own| **own <= width).copied();
    let Some(own) = widest(width_us) else { return (from_us, width_us) };
    let width_us = (width_us + own - 1) / own * own;
    // Rounded up, the columns may be as wide as the next intervals: then they begin where those do.
    let own = widest(width_us).unwrap_or(own);
    (from_us.div_euclid(own) * own, width_us)
}

/// The samples of one channel in one interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RollUp {
    /// Samples.
    pub count: i64,
    /// Of them, those beyond the meter's range.
    pub beyond: i64,
    /// Time in µs since the session began and value of the first; none where that was beyond the range.
    pub first: (i64, Option<f64>),
    /// Of the last.
    pub last: (i64, Option<f64>),
    /// Of the least number; none where there is none.
    pub least: Option<(i64, f64)>,
    /// Of the greatest number.
    pub greatest: Option<(i64, f64)>,
    /// Mean of the numbers; zero where there are none.
    pub mean: f64,
    /// Rowid of the first and of the last sample, by their order of arrival.
    pub rows: (i64, i64),
}

impl RollUp {
    /// Of one sample.
    pub(crate) fn of(at: i64, value: Option<f64>, row: i64) -> Self {
        let extreme = value.map(|value| (at, value));
        Self {
            count: 1,
            beyond: i64::from(value.is_none()),
            first: (at, value),
            last: (at, value),
            least: extreme,
            greatest: extreme,
            mean: value.unwrap_or(0.0),
            rows: (row, row),
        }
    }

    /// Takes in another one; of equal times the order of arrival counts.
    pub(crate) fn merge(&mut self, other: &Self) {
        let (own, others) = ((self.count - self.beyond) as f64, (other.count - other.beyond) as f64);
        if own + others > 0.0 {
            self.mean += (other.mean - self.mean) * (others / (own + others));
        }
        self.count += other.count;
        self.beyond += other.beyond;
        let is_later = (other.last.0, other.rows.1) >= (self.last.0, self.rows.1);
        if (other.first.0, other.rows.0) < (self.first.0, self.rows.0) {
            self.first = other.first;
        }
        if is_later {
            self.last = other.last;
        }
        if let Some(least) = other.least.filter(|other| self.least.is_none_or(|own| other.1 < own.1)) {
            self.least = Some(least);
        }
        if let Some(greatest) = other.greatest.filter(|other| self.greatest.is_none_or(|own| other.1 > own.1)) {
            self.greatest = Some(greatest);
        }
        self.rows = (self.rows.0.min(other.rows.0), self.rows.1.max(other.rows.1));
    }

    /// When the interval of a width begins that holds it.
    pub(crate) fn start(&self, width_us: i64) -> i64 {
        self.first.0.div_euclid(width_us) * width_us
    }

    pub(crate) fn read(row: &Row) -> rusqlite::Result<Self> {
        let extreme = |at: Option<i64>, value: Option<f64>| at.zip(value);
        Ok(Self {
            count: row.get("count")?,
            beyond: row.get("beyond")?,
            first: (row.get("first_us")?, row.get("first")?),
            last: (row.get("last_us")?, row.get("last")?),
            least: extreme(row.get("least_us")?, row.get("least")?),
            greatest: extreme(row.get("greatest_us")?, row.get("greatest")?),
            mean: row.get::<_, Option<f64>>("mean")?.unwrap_or(0.0),
            rows: (row.get("first_row")?, row.get("last_row")?),
        })
    }

    /// Writes the interval of a width; one that is there already is merged with it.
    fn write(mut self, connection: &Connection, channel: i64, width_us: i64) -> rusqlite::Result<()> {
        let start = self.start(width_us);
        let there = connection
            .prepare_cached("SELECT * FROM rollup WHERE channel = ?1 AND width_us = ?2 AND start_us = ?3")?
            .query_row((channel, width_us, start), Self::read)
            .optional()?;
        if let Some(there) = there {
            self.merge(&there);
        }
        let mean = (self.count > self.beyond).then_some(self.mean);
        let values: [&dyn ToSql; 16] = [
            &channel,
            &width_us,
            &start,
            &self.count,
            &self.beyond,
            &self.first.0,
            &self.first.1,
            &self.last.0,
            &self.last.1,
            &self.least.map(|(at, _)| at),
            &self.least.map(|(_, value)| value),
            &self.greatest.map(|(at, _)| at),
            &self.greatest.map(|(_, value)| value),
            &mean,
            &self.rows.0,
            &self.rows.1,
        ];
        let sql =
            "INSERT OR REPLACE INTO rollup (channel, width_us, start_us, count, beyond, first_us, first, last_us, last,
                       least_us, least, greatest_us, greatest, mean, first_row, last_row)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)";
        connection.prepare_cached(sql)?.execute(values)?;
        Ok(())
    }
}

/// The open intervals of one channel, the narrowest first.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct OpenRollUps([Option<RollUp>; WIDTHS_US.len()]);

/// Rolls up the samples of one session as they are written.
#[derive(Debug, Clone, Default)]
pub(crate) struct RollUpWriter {
    /// By channel.id, of few channels.
    open: Vec<(i64, OpenRollUps)>,
    /// What is full, with its channel and width.
    full: Vec<(i64, i64, RollUp)>,
    newest_us: i64,
}

impl RollUpWriter {
    /// Takes one sample of the channel of this number.
    pub(crate) fn push(&mut self, channel: i64, sample: RollUp) {
        self.newest_us = self.newest_us.max(sample.last.0);
        let index = match self.open.iter().position(|(id, _)| *id == channel) {
            Some(index) => index,
            None => {
                self.open.push((channel, OpenRollUps::default()));
                self.open.len() - 1
            }
        };
        add(&mut self.open[index].1, 0, sample, channel, &mut self.full);
    }

    /// Writes what is full. What was silent for a while is full too: what comes later is merged with it.
    pub(crate) fn write(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        for index in 0..self.open.len() {
            let newest = self.open[index].1.0.iter().flatten().map(|open| open.last.0).max();
            if newest.is_some_and(|newest| self.newest_us - newest > IDLE_US) {
                // Wider intervals stay open: until they are full, narrower ones stand for them.
                self.close(index, SECOND);
            }
        }
        self.write_full(connection)
    }

    /// Writes all: the session ends.
    pub(crate) fn finish(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        for index in 0..self.open.len() {
            self.close(index, WIDTHS_US.len() - 1);
        }
        self.write_full(connection)
    }

    /// Closes the intervals up to a level.
    fn close(&mut self, index: usize, to: usize) {
        let (channel, open) = &mut self.open[index];
        for level in 0..=to {
            if let Some(part) = open.0[level].take() {
                push_full(&part, level, *channel, &mut self.full);
                if level + 1 < WIDTHS_US.len() {
                    add(open, level + 1, part, *channel, &mut self.full);
                }
            }
        }
    }

    fn write_full(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        for (channel, width_us, rollup) in self.full.drain(..) {
            rollup.write(connection, channel, width_us)?;
        }
        Ok(())
    }
}

/// Puts a sample, or an interval of the level below, where it belongs.
fn add(open: &mut OpenRollUps, level: usize, part: RollUp, channel: i64, full: &mut Vec<(i64, i64, RollUp)>) {
    let width_us = WIDTHS_US[level];
    let Some(own) = &mut open.0[level] else {
        open.0[level] = Some(part);
        return;
    };
    let (there, start) = (own.start(width_us), part.start(width_us));
    if start == there {
        own.merge(&part);
        return;
    }
    // One that comes late, after its interval was full, is written by itself and merged there.
    let done = if start < there { part } else { std::mem::replace(own, part) };
    if start < there {
        // Without it a narrow interval has fewer samples than its second says: then that is read by its samples.
        if width_us >= EVERY_US {
            full.push((channel, width_us, done));
        }
    } else {
        push_full(&done, level, channel, full);
    }
    if level + 1 < WIDTHS_US.len() {
        add(open, level + 1, done, channel, full);
    }
}

/// Adds one to those to write, where it is wide or dense enough to be worth its row.
fn push_full(rollup: &RollUp, level: usize, channel: i64, full: &mut Vec<(i64, i64, RollUp)>) {
    let width_us = WIDTHS_US[level];
    if width_us >= EVERY_US || rollup.count >= DENSE {
        full.push((channel, width_us, *rollup));
    }
}

#[cfg(test)]
mod tests;
