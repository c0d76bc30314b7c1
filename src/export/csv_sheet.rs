//! Cells and rows of a CSV file: RFC 4180, numbers as the reader's spreadsheet expects them, text that it cannot run.

use std::{borrow::Cow, io::Write};

use jiff::{Timestamp, tz::TimeZone};

use super::ExportError;
use crate::{sanitize::sanitized, store::read::WallTimes};

/// How numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum DecimalMark {
    /// `12.41`, columns parted by commas.
    #[default]
    Point,
    /// `12,41`, columns parted by semicolons.
    Comma,
}

/// How a file is written.
#[derive(Debug, Clone)]
pub(crate) struct CsvStyle {
    /// How numbers are written.
    pub decimal: DecimalMark,
    /// The time zone of absolute times.
    pub zone: TimeZone,
}

impl Default for CsvStyle {
    fn default() -> Self {
        Self { decimal: DecimalMark::Point, zone: TimeZone::UTC }
    }
}

/// A cell of a row.
pub(super) enum Cell<'a> {
    /// Text, which is made safe and sanitized.
    Text(Cow<'a, str>),
    /// A number; empty where there is none.
    Number(Option<f64>),
    /// A whole number; empty where there is none.
    Whole(Option<i64>),
    /// Seconds since the session began, of µs; empty where there are none.
    Elapsed(Option<i64>),
    /// The time of day, of µs since the session began.
    Time(i64),
}

/// A column of a table: its title, and the cell that a row has in it.
pub(super) type CsvColumn<R> = (&'static str, for<'a> fn(&'a R) -> Cell<'a>);

impl<'a> From<&'a str> for Cell<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(text.into())
    }
}

impl<'a> From<Option<&'a str>> for Cell<'a> {
    fn from(text: Option<&'a str>) -> Self {
        text.unwrap_or_default().into()
    }
}

impl From<String> for Cell<'_> {
    fn from(text: String) -> Self {
        Self::Text(text.into())
    }
}

impl From<Option<String>> for Cell<'_> {
    fn from(text: Option<String>) -> Self {
        text.unwrap_or_default().into()
    }
}

impl From<f64> for Cell<'_> {
    fn from(number: f64) -> Self {
        Self::Number(Some(number))
    }
}

impl From<Option<f64>> for Cell<'_> {
    fn from(number: Option<f64>) -> Self {
        Self::Number(number)
    }
}

impl From<i64> for Cell<'_> {
    fn from(number: i64) -> Self {
        Self::Whole(Some(number))
    }
}

impl From<Option<i64>> for Cell<'_> {
    fn from(number: Option<i64>) -> Self {
        Self::Whole(number)
    }
}

/// Writes rows of one file; reuses its buffers from cell to cell.
pub(crate) struct CsvSheet<W: Write> {
    rows: csv::Writer<W>,
    style: CsvStyle,
    times: WallTimes,
    cell: Vec<u8>,
}

impl<W: Write> CsvSheet<W> {
    /// A file with the times of a session.
    pub(crate) fn new(to: W, style: CsvStyle, times: WallTimes) -> Self {
        let delimiter = match style.decimal {
            DecimalMark::Point => b',',
            DecimalMark::Comma => b';',
        };
        let rows = csv::WriterBuilder::new().delimiter(delimiter).terminator(csv::Terminator::CRLF).from_writer(to);
        Self { rows, style, times, cell: Vec::new() }
    }

    /// A whole file: the titles, and a row for each of these.
    pub(super) fn table<R>(mut self, columns: &[CsvColumn<R>], rows: &[R]) -> Result<(), ExportError> {
        self.row(columns.iter().map(|(title, _)| *title))?;
        for row in rows {
            for (_, cell) in columns {
                self.cell(cell(row))?;
            }
            self.end_row()?;
        }
        self.finish()
    }

    fn cell(&mut self, cell: Cell) -> Result<(), ExportError> {
        match cell {
            Cell::Text(text) => self.text(&text),
            Cell::Number(number) => self.number(number),
            Cell::Whole(number) => {
                Ok(self.rows.write_field(number.map_or(String::new(), |number| number.to_string()))?)
            }
            Cell::Elapsed(us) => self.elapsed(us),
            Cell::Time(us) => self.time(us),
        }
    }

    /// A cell of text, made safe and sanitized.
    pub(crate) fn text(&mut self, text: &str) -> Result<(), ExportError> {
        Ok(self.rows.write_field(safe(&sanitized(text)).as_ref())?)
    }

    /// A number; an empty cell where there is none.
    pub(crate) fn number(&mut self, number: Option<f64>) -> Result<(), ExportError> {
        self.cell.clear();
        if let Some(number) = number {
            write!(self.cell, "{number}")?;
            if self.style.decimal == DecimalMark::Comma
                && let Some(point) = self.cell.iter_mut().find(|byte| **byte == b'.')
            {
                *point = b',';
            }
        }
        Ok(self.rows.write_field(&self.cell)?)
    }

    /// Seconds since the session began, to the microsecond; an empty cell where there are none.
    pub(crate) fn elapsed(&mut self, us: Option<i64>) -> Result<(), ExportError> {
        self.cell.clear();
        if let Some(us) = us {
            let sign = if us < 0 { "-" } else { "" };
            let point = if self.style.decimal == DecimalMark::Comma { ',' } else { '.' };
            let us = us.unsigned_abs();
            write!(self.cell, "{sign}{}{point}{:06}", us / 1_000_000, us % 1_000_000)?;
        }
        Ok(self.rows.write_field(&self.cell)?)
    }

    /// RFC 3339, to the microsecond.
    pub(crate) fn time(&mut self, us: i64) -> Result<(), ExportError> {
        self.cell.clear();
        if let Ok(time) = Timestamp::from_microsecond(self.times.at(us)) {
            if self.style.zone == TimeZone::UTC {
                write!(self.cell, "{time:.6}")?;
            } else {
                let zoned = time.to_zoned_datetime(self.style.zone.clone());
                write!(self.cell, "{}", zoned.strftime("%Y-%m-%dT%H:%M:%S%.6f%:z"))?;
            }
        }
        Ok(self.rows.write_field(&self.cell)?)
    }

    /// Ends the row.
    pub(crate) fn end_row(&mut self) -> Result<(), ExportError> {
        Ok(self.rows.write_record(None::<&[u8]>)?)
    }

    /// A whole row of our own text: titles.
    pub(crate) fn row<'a>(&mut self, cells: impl IntoIterator<Item = &'a str>) -> Result<(), ExportError> {
        for cell in cells {
            self.rows.write_field(safe(cell).as_ref())?;
        }
        self.end_row()
    }

    /// Writes out what is buffered.
    pub(crate) fn finish(mut self) -> Result<(), ExportError> {
        Ok(self.rows.flush()?)
    }
}

/// Text that a spreadsheet does not take for a formula: an apostrophe goes before what could be one.
///
/// Leading characters: OWASP, CSV Injection (`=`, `+`, `-`, `@`, tab, CR; from memory LF and the
/// full-width forms); the apostrophe is that of OWASP ASVS 5.0, 1.2.10.
pub(crate) fn safe(text: &str) -> Cow<'_, str> {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '\0' | '＝' | '＋' | '－' | '＠') => {
            Cow::Owned(format!("'{text}"))
        }
        _ => Cow::Borrowed(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(style: CsvStyle, write: impl FnOnce(&mut CsvSheet<&mut Vec<u8>>)) -> String {
        let mut bytes = Vec::new();
        // 1985-04-12T23:20:50.52Z is 482196050.52 s: RFC 3339, 5.8, computed with Python's datetime.
        let mut sheet = CsvSheet::new(&mut bytes, style, WallTimes::new(482_196_050_520_000, []));
        write(&mut sheet);
        sheet.finish().unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn quoting_is_that_of_rfc_4180() {
        // RFC 4180, section 2, rules 5 to 7 (from memory); encodings computed with Python's csv module.
        let text = written(CsvStyle::default(), |sheet| sheet.row(["a,b", "b\"bb", " x ", "b\r\nbb"]).unwrap());
        assert_eq!(text, "\"a,b\",\"b\"\"bb\", x ,\"b\r\nbb\"\r\n");
    }

    #[test]
    fn formulas_become_text_and_numbers_stay_numbers() {
        for text in ["=1+1", "+1", "-1", "@sum", "\tx", "＝1"] {
            assert_eq!(safe(text), format!("'{text}"));
        }
        assert_eq!(safe("lift coil"), "lift coil");
        let text = written(CsvStyle::default(), |sheet| {
            sheet.number(Some(-0.512)).unwrap();
            sheet.number(None).unwrap();
            sheet.end_row().unwrap();
        });
        assert_eq!(text, "-0.512,\r\n");
    }

    #[test]
    fn text_steers_no_terminal() {
        let text = written(CsvStyle::default(), |sheet| {
            sheet.text("oil\non the plug\u{1b}]0;x\u{7}").unwrap();
            sheet.text("\tx").unwrap();
            sheet.end_row().unwrap();
        });
        assert_eq!(text, "oil\\non the plug\\u{1b}]0;x\\u{7},\\tx\r\n");
    }

    #[test]
    fn a_decimal_comma_parts_columns_by_semicolons() {
        let style = CsvStyle { decimal: DecimalMark::Comma, ..CsvStyle::default() };
        let text = written(style, |sheet| {
            sheet.elapsed(Some(-1_500)).unwrap();
            sheet.number(Some(12.41)).unwrap();
            sheet.end_row().unwrap();
        });
        assert_eq!(text, "-0,001500;12,41\r\n");
    }

    #[test]
    fn times_are_rfc_3339() {
        let mut text = String::new();
        for zone in [TimeZone::UTC, TimeZone::fixed(jiff::tz::offset(-8))] {
            let style = CsvStyle { zone, ..CsvStyle::default() };
            text += &written(style, |sheet| {
                sheet.time(1_000_000).unwrap();
                sheet.end_row().unwrap();
            });
        }
        assert_eq!(text, "1985-04-12T23:20:51.520000Z\r\n1985-04-12T15:20:51.520000-08:00\r\n");
    }
}
