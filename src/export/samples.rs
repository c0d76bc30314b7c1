//! The samples of a session: one row a sample, or one column a channel.

use std::{io::Write, time::Duration};

use rusqlite::Connection;

use super::{CsvSheet, CsvStyle, ExportError};
use crate::{
    clock::micros,
    session::{RangeEnd, Verdict},
    store::read::{SessionRow, StoredSample, TimeStretch, channels, for_each_sample, wall_times},
};

/// One row a sample. `progress` is called after each.
pub(crate) fn long(
    connection: &Connection,
    session: &SessionRow,
    stretch: TimeStretch,
    style: CsvStyle,
    to: impl Write,
    mut progress: impl FnMut(),
) -> Result<(), ExportError> {
    let mut sheet = CsvSheet::new(to, style, wall_times(connection, session)?);
    sheet.row(["elapsed_s", "time", "step", "channel", "value", "unit", "quantity", "verdict"])?;
    for_each_sample(connection, session, stretch, |sample: &StoredSample| -> Result<(), ExportError> {
        sheet.elapsed(Some(sample.time_us))?;
        sheet.time(sample.time_us)?;
        sheet.text(sample.step.map_or("", |(_, name)| name))?;
        sheet.text(&sample.channel.name)?;
        match sample.beyond {
            None => sheet.number(sample.value)?,
            Some(end) => sheet.text(end.word())?,
        }
        sheet.text(&sample.channel.unit)?;
        sheet.text(sample.channel.quantity.word())?;
        sheet.text(sample.verdict.map_or("", Verdict::word))?;
        sheet.end_row()?;
        progress();
        Ok(())
    })?;
    sheet.finish()
}

/// One column a channel, one row for each stretch of time in which anything was measured: the mean
/// of what a channel showed then, `over` or `under` where it was beyond the range at any time of it.
pub(crate) fn wide(
    connection: &Connection,
    session: &SessionRow,
    (stretch, every): (TimeStretch, Duration),
    style: CsvStyle,
    to: impl Write,
    mut progress: impl FnMut(),
) -> Result<(), ExportError> {
    let columns = channels(connection, session.id)?;
    let mut sheet = CsvSheet::new(to, style, wall_times(connection, session)?);
    let titles: Vec<String> =
        columns.iter().map(|channel| format!("{} ({})", channel.name, channel.quantity)).collect();
    sheet.row(["elapsed_s", "time", "step"].into_iter().chain(titles.iter().map(String::as_str)))?;
    let every = micros(every).max(1);
    let mut row = WideRow { index: None, step: String::new(), cells: vec![WideCell::default(); columns.len()] };
    for_each_sample(connection, session, stretch, |sample: &StoredSample| -> Result<(), ExportError> {
        progress();
        let index = sample.time_us.div_euclid(every);
        // Ports overtake each other by a little: a row never goes back.
        if row.index.is_some_and(|current| index > current) {
            row.write(&mut sheet, every)?;
        }
        row.index = Some(row.index.map_or(index, |current| current.max(index)));
        row.take(sample, columns.iter().position(|channel| channel.id == sample.channel.id));
        Ok(())
    })?;
    row.write(&mut sheet, every)?;
    sheet.finish()
}

/// A mean to twelve significant digits: no meter shows as many, and what a sum of binary fractions leaves behind them is none.
fn without_noise(mean: f64) -> f64 {
    format!("{mean:.11e}").parse().unwrap_or(mean)
}

struct WideRow {
    /// Which stretch of time; none before the first sample.
    index: Option<i64>,
    step: String,
    cells: Vec<WideCell>,
}

#[derive(Clone, Copy, Default)]
struct WideCell {
    sum: f64,
    count: u32,
    beyond: Option<RangeEnd>,
}

impl WideRow {
    fn take(&mut self, sample: &StoredSample, column: Option<usize>) {
        let step = sample.step.map_or("", |(_, name)| name);
        if self.step != step {
            self.step = step.to_owned();
        }
        let Some(cell) = column.and_then(|column| self.cells.get_mut(column)) else { return };
        cell.beyond = cell.beyond.or(sample.beyond);
        if let Some(value) = sample.value {
            cell.sum += value;
            cell.count += 1;
        }
    }

    fn write<W: Write>(&mut self, sheet: &mut CsvSheet<W>, every: i64) -> Result<(), ExportError> {
        let Some(index) = self.index else { return Ok(()) };
        sheet.elapsed(Some(index * every))?;
        sheet.time(index * every)?;
        sheet.text(&self.step)?;
        for cell in &mut self.cells {
            match (cell.beyond, cell.count) {
                (Some(end), _) => sheet.text(end.word())?,
                (None, 0) => sheet.number(None)?,
                (None, count) => sheet.number(Some(without_noise(cell.sum / f64::from(count))))?,
            }
            *cell = WideCell::default();
        }
        sheet.end_row()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_has_no_digits_that_nobody_showed() {
        // Ten readings of 0.002 A had the mean 0.0020000000000000013.
        let mean = (0..10).map(|_| 0.002).sum::<f64>() / 10.0;
        assert_eq!((without_noise(mean), without_noise(0.002_000_000_000_000_001_3)), (0.002, 0.002));
        assert_eq!((without_noise(0.0), without_noise(-12.345_678_9)), (0.0, -12.345_678_9));
    }
}
