//! The samples of one channel thinned out for a plot: the least and the greatest value of each column stay.

use rusqlite::Connection;
use serde::Serialize;

use super::{SessionRow, channels};
use crate::store::StoreError;

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
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
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

/// One column: its first, least, greatest and last sample.
#[derive(Debug, Clone, Copy)]
struct ThinColumn {
    index: i64,
    kept: [(i64, Option<f64>); 4],
    samples: u64,
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
    let of_channel = "FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND channel = ?3";
    let (first, last): (Option<i64>, Option<i64>) = connection.query_row(
        &format!("SELECT MIN(time_us), MAX(time_us) {of_channel}"),
        (session.first_row, session.last_row, channel.id),
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    let from = window.from_us.or(first).unwrap_or(0);
    let to = window.to_us.or(last).unwrap_or(0).max(from);
    let columns = i64::try_from(window.columns.max(1)).unwrap_or(i64::MAX);
    let width = ((to - from) / columns).max(1);
    let sql = format!("SELECT time_us, value {of_channel} AND time_us BETWEEN ?4 AND ?5 ORDER BY rowid");
    let mut statement = connection.prepare(&sql)?;
    let mut rows = statement.query((session.first_row, session.last_row, channel.id, from, to))?;
    let mut column: Option<ThinColumn> = None;
    while let Some(row) = rows.next()? {
        let (at, value): (i64, Option<f64>) = (row.get(0)?, row.get(1)?);
        let index = (at - from) / width;
        series.samples += 1;
        match &mut column {
            Some(open) if open.index == index => open.add(at, value),
            _ => {
                if let Some(full) = column.replace(ThinColumn { index, kept: [(at, value); 4], samples: 1 }) {
                    series.push(&full);
                }
            }
        }
    }
    if let Some(full) = column {
        series.push(&full);
    }
    Ok(series)
}

impl ThinColumn {
    fn add(&mut self, at: i64, value: Option<f64>) {
        self.samples += 1;
        self.kept[3] = (at, value);
        let Some(value) = value else { return };
        if self.kept[1].1.is_none_or(|least| value < least) {
            self.kept[1] = (at, Some(value));
        }
        if self.kept[2].1.is_none_or(|greatest| value > greatest) {
            self.kept[2] = (at, Some(value));
        }
    }
}

impl PlotSeries {
    fn push(&mut self, column: &ThinColumn) {
        let mut kept = column.kept;
        kept.sort_by_key(|(at, _)| *at);
        let mut before = None;
        let mut points = 0;
        for point in kept {
            if before != Some(point.0) {
                self.at_s.push(point.0 as f64 / 1e6);
                self.value.push(point.1);
                points += 1;
            }
            before = Some(point.0);
        }
        self.whole &= points == column.samples;
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
        let gap = PlotWindow { from_us: Some(7_000_000), to_us: Some(7_000_000), ..window };
        assert_eq!(plot_series(&connection, &session, &gap).unwrap().value, [None]);
        let other = PlotWindow { channel: "no such", ..window };
        assert!(plot_series(&connection, &session, &other).unwrap().at_s.is_empty());
    }
}
