//! The samples of one channel thinned out for a plot: the least and the greatest value of each column stay.

use rusqlite::Connection;
use serde::Serialize;

use super::{SessionRow, channels, rollup::RolledChannel};
use crate::store::{
    StoreError,
    rollup::{EVERY_US, RollUp, whole_columns},
};

/// What is to be drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PlotWindow<'a> {
    /// Name of the channel.
    pub channel: &'a str,
    /// What it measured.
    pub quantity: &'a str,
    /// Since the session began, µs; none from its first sample, which may have been measured just before it began.
    pub from_us: Option<i64>,
    /// Since the session began, µs; none to its last sample.
    pub to_us: Option<i64>,
    /// How many columns there is room for.
    pub columns: usize,
}

/// The points of a plot, in the order of time; at most four for each column.
#[derive(Debug, Clone, PartialEq, Default, Serialize, utoipa::ToSchema)]
pub(crate) struct PlotSeries {
    /// Seconds since the session began.
    pub at_s: Vec<f64>,
    /// In the channel's unit; none where it was beyond the meter's range.
    pub value: Vec<Option<f64>>,
    /// Samples in the window.
    pub samples: u64,
    /// Whether every sample is a point.
    pub whole: bool,
}

/// First, least, greatest and last.
const POINTS_A_COLUMN: usize = 4;
/// A longer stretch of samples that are not dense is drawn by seconds, µs: over three hundred columns.
const LONG_US: i64 = 300 * EVERY_US;
/// A step with no more rows than this is read by its samples: they are its own to the row.
const FEW_ROWS: i64 = 200_000;

/// Calls `each` with enough points of one channel in a step to draw it as if with all: `rows` are the step's, `stretch` is from when
/// to when, and how many columns there are.
///
/// # Errors
/// The database can't be read.
pub(crate) fn for_each_point(
    connection: &Connection,
    session: &SessionRow,
    channel: i64,
    rows: (i64, i64),
    stretch: (i64, i64, usize),
    mut each: impl FnMut(i64, f64),
) -> Result<(), StoreError> {
    if rows.1 - rows.0 < FEW_ROWS {
        let sql = "SELECT time_us, value FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND channel = ?3 AND value IS NOT NULL ORDER BY rowid";
        let mut statement = connection.prepare_cached(sql)?;
        let mut found = statement.query((rows.0, rows.1, channel))?;
        while let Some(row) = found.next()? {
            each(row.get(0)?, row.get(1)?);
        }
        return Ok(());
    }
    let (from, to, columns) = stretch;
    let width = (to.saturating_sub(from) / i64::try_from(columns.max(1)).unwrap_or(i64::MAX)).max(1);
    RolledChannel::new(connection, session, channel)?.for_each(from, to.saturating_add(1), width, &mut |part| {
        let first = part.first.1.map(|value| (part.first.0, value));
        let last = part.last.1.map(|value| (part.last.0, value));
        for (at, value) in [first, part.least, part.greatest, last].into_iter().flatten() {
            each(at, value);
        }
    })
}

/// One column, from its samples or from narrower intervals.
#[derive(Debug, Clone, Copy)]
struct ThinColumn {
    index: i64,
    rollup: RollUp,
}

/// Reads a window. Memory use depends on the columns, not on the length of the session.
///
/// # Errors
/// The database can't be read.
pub(crate) fn plot_series(
    connection: &Connection,
    session: &SessionRow,
    window: &PlotWindow,
) -> Result<PlotSeries, StoreError> {
    let mut series = PlotSeries { whole: true, ..PlotSeries::default() };
    let channels = channels(connection, session.id)?;
    let is_wanted = |name: &str, quantity: &str| name == window.channel && quantity == window.quantity;
    let Some(channel) = channels.iter().find(|channel| is_wanted(&channel.name, channel.quantity.word())) else {
        return Ok(series);
    };
    let rolled = RolledChannel::new(connection, session, channel.id)?;
    let (first, last) = match (window.from_us, window.to_us) {
        (Some(from), Some(to)) => (from, to),
        _ => rolled.ends()?.unwrap_or((0, 0)),
    };
    let from = window.from_us.unwrap_or(first);
    let to = window.to_us.unwrap_or(last).max(from);
    let columns = i64::try_from(window.columns.max(1)).unwrap_or(i64::MAX);
    let mut width = ((to - from) / columns).max(1);
    // Seconds that stand for few samples are read as fast as they are drawn; all of these samples would be read beside those of
    // all other channels.
    if width < EVERY_US && to - from > LONG_US && !rolled.is_dense(from, to)? {
        width = EVERY_US;
    }
    // A column is made of whole intervals: from these its line is the same as from all samples.
    let (origin, width) = whole_columns(from, width);
    let mut column: Option<ThinColumn> = None;
    // As many samples as there may be points are not thinned at all: several of one chunk have one time.
    let most = window.columns.saturating_mul(POINTS_A_COLUMN);
    let mut singles: Option<Vec<(i64, Option<f64>)>> = Some(Vec::new());
    rolled.for_each(origin, to + 1, width, &mut |part| {
        match &mut singles {
            Some(all) if part.count == 1 && all.len() < most => all.push(part.first),
            singles => *singles = None,
        }
        let index = (part.first.0 - origin).div_euclid(width);
        series.samples += part.count.unsigned_abs();
        match &mut column {
            Some(open) if open.index == index => open.rollup.merge(part),
            _ => {
                if let Some(full) = column.replace(ThinColumn { index, rollup: *part }) {
                    series.push(&full.rollup);
                }
            }
        }
    })?;
    if let Some(full) = column {
        series.push(&full.rollup);
    }
    if let Some(mut all) = singles {
        all.sort_by_key(|(at, _)| *at);
        series.at_s = all.iter().map(|(at, _)| *at as f64 / 1e6).collect();
        series.value = all.into_iter().map(|(_, value)| value).collect();
        series.whole = true;
    }
    Ok(series)
}

impl PlotSeries {
    /// Its first, least, greatest and last sample, in the order of time.
    fn push(&mut self, column: &RollUp) {
        let extreme = |point: Option<(i64, f64)>| point.map(|(at, value)| (at, Some(value)));
        let inner = [extreme(column.least), extreme(column.greatest)];
        let mut kept: Vec<(i64, Option<f64>)> = inner.into_iter().flatten().collect();
        kept.sort_by_key(|(at, _)| *at);
        // Samples of one chunk have one time: first and last stay at the ends.
        let all = [column.first].into_iter().chain(kept).chain([column.last]);
        let mut points = 0;
        let mut before = None;
        for point in all {
            if before != Some(point) {
                self.at_s.push(point.0 as f64 / 1e6);
                self.value.push(point.1);
                points += 1;
            }
            before = Some(point);
        }
        self.whole &= points == column.count;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::read::find;

    #[test]
    fn the_least_and_the_greatest_stay_and_a_short_window_is_whole() {
        let connection = Connection::open_in_memory().unwrap();
        connection.execute_batch(include_str!("../schema.sql")).unwrap();
        connection
            .execute_batch(
                "INSERT INTO session (id, uuid, began_utc, began_utc_us, machine, job, bench_text, program, first_row)
                     VALUES (1, 'one', '2026-01-01T00:00:00Z', 0, '', '', '', '0', 1);
                 INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
                     VALUES (1, 1, 'probe', 'V DC', 'V', 'handheld', 'value', '', '');",
            )
            .unwrap();
        // Ten seconds at 100 Hz: 12 V, one dip and one peak of a single sample, and one beyond the range. The first was measured
        // just before the session began.
        for index in -1..999_i64 {
            let value = match index {
                333 => Some(3.5),
                334 => Some(15.5),
                700 => None,
                _ => Some(12.0),
            };
            let insert = "INSERT INTO sample (time_us, channel, value) VALUES (?1, 1, ?2)";
            connection.execute(insert, (index * 10_000, value)).unwrap();
        }
        let session = find(&connection, "1").unwrap();
        let window = PlotWindow { channel: "probe", quantity: "V DC", from_us: None, to_us: None, columns: 10 };
        let thin = plot_series(&connection, &session, &window).unwrap();
        assert!(thin.at_s.len() <= 44 && thin.samples == 1000 && !thin.whole, "{}", thin.at_s.len());
        assert!(thin.value.contains(&Some(3.5)) && thin.value.contains(&Some(15.5)));
        assert!(thin.at_s.is_sorted());
        let close = PlotWindow { from_us: Some(3_300_000), to_us: Some(3_400_000), columns: 100, ..window };
        let close = plot_series(&connection, &session, &close).unwrap();
        assert!(close.whole && close.samples == 11 && close.at_s.len() == 11, "{close:?}");
        // Two samples of one time and value are two.
        connection.execute("INSERT INTO sample (time_us, channel, value) VALUES (3400000, 1, 12.0)", []).unwrap();
        let session = find(&connection, "1").unwrap();
        let close = PlotWindow { from_us: Some(3_300_000), to_us: Some(3_400_000), columns: 100, ..window };
        let close = plot_series(&connection, &session, &close).unwrap();
        assert!(close.whole && close.at_s.len() == 12, "{close:?}");
        let gap = PlotWindow { from_us: Some(7_000_000), to_us: Some(7_000_000), ..window };
        assert_eq!(plot_series(&connection, &session, &gap).unwrap().value, [None]);
        let other = PlotWindow { channel: "no such", ..window };
        assert!(plot_series(&connection, &session, &other).unwrap().at_s.is_empty());
    }
}
