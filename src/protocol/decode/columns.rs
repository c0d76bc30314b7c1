//! Numbers in columns, with or without a header line that names them.
//!
//! Words name the columns only before the first line of numbers, or where they take over from an
//! earlier header with as many columns; anywhere else they are damage.

mod keys;

use std::ops::Range;

pub(in crate::protocol) use keys::{ColumnsRule, HeaderRule, Separator};

use super::{
    DecodeOutcome, FrameDecoder, Sink,
    column_count::ColumnCount,
    header,
    line_comma::{self, LineComma, LineForm},
    text,
};
use crate::protocol::{
    Function,
    counters::TimeUnit,
    names::NameTable,
    number::{NumberReader, Plain, Token, classify, is_no_number, plain},
    problem::{DecodeError, Defect},
};

/// What a column is.
#[derive(Debug, Clone, Copy)]
enum Column {
    Value(u16),
    Time(TimeUnit),
    Sequence,
    Skipped,
}

/// Where the columns' names are from.
#[derive(Debug)]
enum ColumnNaming {
    /// From the file, or from a header that fits the numbers.
    Known,
    /// By a header that no numbers have followed yet.
    ByHeader(Vec<String>),
    /// By counting.
    Counted,
}

/// Reads such lines.
#[derive(Debug)]
pub(in crate::protocol) struct ColumnsDecoder {
    rule: ColumnsRule,
    number_reader: NumberReader,
    naming: ColumnNaming,
    /// What each column is; where they are counted, as many as have come.
    columns: Vec<Column>,
    /// What a comma is in the line at hand.
    comma: LineComma,
    state: ColumnsState,
}

/// What the lines of a device show, until it begins anew and may send its header. The names stay, for one that sends none.
#[derive(Debug, Default)]
struct ColumnsState {
    /// How many columns there are, where they are counted.
    count: ColumnCount,
    /// Whether numbers came.
    stage: HeaderStage,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum HeaderStage {
    #[default]
    BeforeNumbers,
    Numbers,
}

/// One cell of a line.
struct LineCell {
    /// None where it is empty.
    token: Option<Result<Token, Defect>>,
    bytes: Range<usize>,
    /// Where the next begins; none where this is the last.
    next: Option<usize>,
}

impl ColumnsDecoder {
    pub(crate) fn new(rule: ColumnsRule) -> Self {
        let (mut columns, mut naming) = (Vec::new(), ColumnNaming::Counted);
        if let Some(names) = &rule.column_names {
            // The engine has given the file's names their numbers, in this order.
            let mut number = 0;
            for (at, name) in names.get_ref().0.iter().enumerate() {
                columns.push(rule.own_column(at, name).unwrap_or_else(|| {
                    number += 1;
                    Column::Value(number - 1)
                }));
            }
            naming = ColumnNaming::Known;
        }
        let number_reader = NumberReader::new(rule.overload.clone());
        Self { rule, number_reader, naming, columns, comma: LineComma::Separates, state: ColumnsState::default() }
    }
}

impl FrameDecoder for ColumnsDecoder {
    #[inline]
    fn decode(&mut self, line: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let begins_with_number =
            line.get(spaces(line)).is_some_and(|byte| matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.'));
        if !begins_with_number
            && self.rule.header != HeaderRule::None
            && let Some(names) = header::column_names(&self.rule.separator, text(line)?, &mut self.number_reader)
        {
            return self.take_header(names, sink.names);
        }
        self.comma = self.line_comma(line)?;
        if let ColumnNaming::ByHeader(header) = &mut self.naming {
            let header = std::mem::take(header);
            return self.first_numbers(header, line, sink);
        }
        let (begin, known) = (sink.readings.len(), self.columns.len());
        let read = self.read_cells(line, sink);
        if read.is_err() {
            // The names of these columns are taken back with the frame.
            self.columns.truncate(known);
        } else if sink.readings.len() > begin {
            self.state.stage = HeaderStage::Numbers;
        }
        read
    }

    fn reset(&mut self) {
        self.state = ColumnsState::default();
    }
}

impl ColumnsDecoder {
    /// What the commas of a line are.
    fn line_comma(&mut self, line: &[u8]) -> Result<LineComma, DecodeError> {
        if self.rule.separator != Separator::Any {
            return Ok(LineComma::Separates);
        }
        let (decimal, separates) = match line_comma::of_line(line) {
            LineForm::Clear(comma) => {
                if comma == LineComma::Decimal {
                    self.number_reader.comma_is_decimal();
                }
                return Ok(comma);
            }
            LineForm::Either { decimal, separates } => (decimal, separates),
        };
        match (self.is_known_count(decimal), self.is_known_count(separates)) {
            (true, false) => Ok(LineComma::Decimal),
            (false, true) => Ok(LineComma::Separates),
            _ => Err(DecodeError::whole(Defect::AmbiguousComma)),
        }
    }

    /// Whether a line of so many columns is what the file, a header or the lines before want.
    fn is_known_count(&self, columns: usize) -> bool {
        let own = [self.rule.time.map(|time| time.column), self.rule.sequence.map(|sequence| sequence.column)];
        let last_own = own.into_iter().flatten().map(|column| column.0 + 1).max();
        match &self.naming {
            ColumnNaming::Known => columns == self.columns.len(),
            // A greeting of one word is no header.
            ColumnNaming::ByHeader(header) if header.len() > 1 => columns == header.len(),
            // With nothing but time and number in it a line has no value.
            _ if last_own.is_some_and(|last| columns > last) => true,
            _ => self.state.count.is_settled_at(columns),
        }
    }

    #[inline]
    /// Reads the cells of a line of numbers.
    fn read_cells(&mut self, line: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let (mut at, mut column, mut filled) = (0, 0, 0);
        loop {
            let cell = self.cell(line, at)?;
            if let Some(token) = cell.token {
                filled = column + 1;
                match self.column(column, sink.names, &cell.bytes)? {
                    Column::Value(name) => sink.numbered(name, token, cell.bytes)?,
                    Column::Time(unit) => sink.time(token, unit, cell.bytes)?,
                    Column::Sequence => sink.number(token, cell.bytes)?,
                    Column::Skipped => {}
                }
            }
            column += 1;
            match cell.next {
                Some(next) => at = next,
                None => return self.check_count(filled, column).map(|()| DecodeOutcome::Frame),
            }
        }
    }

    /// Whether a line has as many columns as it must. Empty ones at its end may or may not count.
    fn check_count(&mut self, least: usize, most: usize) -> Result<(), DecodeError> {
        let expected = self.columns.len();
        match self.naming {
            ColumnNaming::Counted if self.rule.header == HeaderRule::Required => {
                Err(DecodeError::whole(Defect::NoHeader))
            }
            ColumnNaming::Counted => self.state.count.take(least..=most).map_err(DecodeError::whole),
            _ if (least..=most).contains(&expected) => Ok(()),
            _ => Err(DecodeError::whole(Defect::Columns { found: least, expected })),
        }
    }

    /// What the column is, counted from 0.
    #[inline]
    fn column(&mut self, at: usize, names: &mut NameTable, bytes: &Range<usize>) -> Result<Column, DecodeError> {
        if let Some(column) = self.columns.get(at) {
            return Ok(*column);
        }
        if !matches!(self.naming, ColumnNaming::Counted) {
            return Ok(Column::Skipped);
        }
        while self.columns.len() <= at {
            let next = self.columns.len();
            let column = match self.rule.own_column(next, "v") {
                Some(own) => own,
                None => {
                    let time = self.rule.time.map(|time| time.column);
                    let own = [time, self.rule.sequence.map(|sequence| sequence.column)];
                    let before = own.into_iter().flatten().filter(|column| column.0 < next).count();
                    let name = format!("v{}", next + 1 - before);
                    Column::Value(
                        names.number(&name).ok_or_else(|| DecodeError::at(bytes.clone(), Defect::TooManyNames))?,
                    )
                }
            };
            self.columns.push(column);
        }
        Ok(self.columns[at])
    }

    /// The cell that begins at `at`.
    #[inline]
    fn cell(&mut self, line: &[u8], at: usize) -> Result<LineCell, DecodeError> {
        let start = at + spaces(&line[at..]);
        if let Some(Plain { value, decade, length }) = plain(&line[start..]) {
            let end = start + length;
            let behind = end + spaces(&line[end..]);
            if let Some(next) = self.end_of_cell(line, end, behind) {
                let token = classify(value).map(|value| Token {
                    value,
                    decade: i8::try_from(decade).ok(),
                    function: Function::Unknown,
                });
                return Ok(LineCell { token: Some(token), bytes: start..end, next });
            }
        }
        self.slow_cell(line, start)
    }

    /// Whether a number that ends here ends its cell, and where the next begins.
    #[inline]
    fn end_of_cell(&self, line: &[u8], end: usize, behind: usize) -> Option<Option<usize>> {
        match (&self.rule.separator, line.get(behind)) {
            (_, None) => Some(None),
            (Separator::Any, Some(b',')) if self.comma == LineComma::Decimal => None,
            (Separator::Any, Some(b',' | b';' | b'\t')) => Some(Some(behind + 1)),
            (Separator::Any, Some(b'0'..=b'9' | b'+' | b'-' | b'.')) if behind > end => Some(Some(behind)),
            (Separator::Any, Some(_)) => None,
            (Separator::Text(separator), Some(_)) => [end, behind]
                .into_iter()
                .find(|at| line[*at..].starts_with(separator))
                .map(|at| Some(at + separator.len())),
        }
    }

    /// A cell that is no plain number: with a unit, an overload, empty or damaged.
    fn slow_cell(&mut self, line: &[u8], start: usize) -> Result<LineCell, DecodeError> {
        let line = text(line)?;
        let (end, next) = match &self.rule.separator {
            Separator::Text(separator) => match memchr::memmem::find(&line.as_bytes()[start..], separator) {
                Some(length) => (start + length, Some(start + length + separator.len())),
                None => (line.len(), None),
            },
            Separator::Any => self.end_of_words(line, start),
        };
        let cell = line[start..end].trim();
        let token = (!cell.is_empty()).then(|| self.number_reader.read(cell));
        Ok(LineCell { token, bytes: start..end, next })
    }

    /// The end of a cell where spaces separate too: a unit belongs to the number before it.
    fn end_of_words(&mut self, line: &str, start: usize) -> (usize, Option<usize>) {
        let comma = self.comma;
        let word = |at: usize| word(&line[at..], comma);
        let mut end = start + word(start);
        // `- 12.45 V` is one value where signs separate the columns.
        if matches!(&line[start..end], "-" | "+" | "\u{2212}") && line.contains([',', ';', '\t']) {
            let number = end + spaces(&line.as_bytes()[end..]);
            if line.as_bytes().get(number).is_some_and(u8::is_ascii_digit) {
                end = number + word(number);
            }
        }
        let is_number = line[start..].starts_with(|c: char| c.is_ascii_digit() || "+-.\u{2212}".contains(c));
        loop {
            let behind = end + spaces(&line.as_bytes()[end..]);
            match line.as_bytes().get(behind) {
                None => return (end, None),
                Some(b',') if comma == LineComma::Decimal => {}
                Some(b',' | b';' | b'\t') => return (end, Some(behind + 1)),
                Some(_) => {}
            }
            let next = &line[behind..behind + word(behind)];
            let is_unit = is_number
                && !next.starts_with(|c: char| c.is_ascii_digit() || "+-.\u{2212}".contains(c))
                && !is_no_number(next)
                && !self.number_reader.is_overload(next);
            if !is_unit {
                return (end, Some(behind));
            }
            end = behind + next.len();
        }
    }

    fn take_header(&mut self, header: Vec<String>, names: &mut NameTable) -> Result<DecodeOutcome, DecodeError> {
        if self.state.stage == HeaderStage::BeforeNumbers {
            self.naming = ColumnNaming::ByHeader(header);
            return Ok(DecodeOutcome::Inconclusive);
        }
        match self.naming {
            ColumnNaming::Known if header.len() == self.columns.len() => self.name_columns(&header, names),
            _ => Err(DecodeError::whole(Defect::LateHeader)),
        }
    }

    /// Numbers follow a header: their count shows whether it was one. Where the line is refused,
    /// the header waits for the next.
    fn first_numbers(
        &mut self,
        header: Vec<String>,
        line: &[u8],
        sink: &mut Sink<'_>,
    ) -> Result<DecodeOutcome, DecodeError> {
        self.columns.clear();
        let read = self.settle_header(&header, line, sink.names).and_then(|()| self.read_cells(line, sink));
        match read {
            Ok(_) => self.state.stage = HeaderStage::Numbers,
            Err(_) => self.naming = ColumnNaming::ByHeader(header),
        }
        read
    }

    fn settle_header(&mut self, header: &[String], line: &[u8], names: &mut NameTable) -> Result<(), DecodeError> {
        let (mut at, mut count) = (0, 1);
        while let Some(next) = self.cell(line, at)?.next {
            (at, count) = (next, count + 1);
        }
        let least = count - usize::from(at == line.len());
        if (least..=count).contains(&header.len()) {
            return self.name_columns(header, names).map(|_| ());
        }
        self.naming = ColumnNaming::Counted;
        match self.rule.header {
            HeaderRule::Required => Err(DecodeError::whole(Defect::Columns { found: least, expected: header.len() })),
            HeaderRule::None | HeaderRule::Optional => Ok(()),
        }
    }

    fn name_columns(&mut self, header: &[String], names: &mut NameTable) -> Result<DecodeOutcome, DecodeError> {
        let columns = header.iter().enumerate().map(|(at, name)| match self.rule.own_column(at, name) {
            Some(own) => Ok(own),
            None => names.number(name).map(Column::Value).ok_or(DecodeError::whole(Defect::TooManyNames)),
        });
        self.columns = columns.collect::<Result<_, _>>()?;
        self.naming = ColumnNaming::Known;
        Ok(DecodeOutcome::WithoutValues)
    }
}

#[inline]
fn spaces(text: &[u8]) -> usize {
    text.iter().take_while(|byte| **byte == b' ').count()
}

/// Bytes of the word at the start.
fn word(text: &str, comma: LineComma) -> usize {
    let end = |c: char| matches!(c, ' ' | ';' | '\t') || (c == ',' && comma == LineComma::Separates);
    text.find(end).unwrap_or(text.len())
}

#[cfg(test)]
mod tests;
