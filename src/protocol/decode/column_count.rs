//! How many columns a board's lines have, where neither file nor header says so.
//!
//! The first line gives the number; a line with another one is damaged, unless all that follow have it too.

use std::ops::RangeInclusive;

use crate::protocol::problem::Defect;

/// After so many lines in a row with another number of columns the board has changed its lines.
const CHANGED_AFTER: u32 = 3;

/// The number of columns so far.
#[derive(Debug, Default)]
pub(super) struct ColumnCount {
    known: Option<ColumnRange>,
    /// Lines in a row that had another number, and that number.
    other: Option<(ColumnRange, u32)>,
}

/// As many columns as a line has; several numbers where empty ones at its end may or may not count.
#[derive(Debug, Clone, Copy)]
struct ColumnRange {
    least: usize,
    most: usize,
    lines: u32,
}

impl ColumnRange {
    /// Both, where a number fits both.
    fn with(self, other: Self) -> Option<Self> {
        let (least, most) = (self.least.max(other.least), self.most.min(other.most));
        (least <= most).then_some(Self { least, most, lines: self.lines.saturating_add(1) })
    }
}

impl ColumnCount {
    /// A line came with so many columns.
    pub(super) fn take(&mut self, columns: RangeInclusive<usize>) -> Result<(), Defect> {
        let (least, most) = columns.into_inner();
        let line = ColumnRange { least, most, lines: 1 };
        let Some(known) = self.known else {
            self.known = Some(line);
            return Ok(());
        };
        if let Some(both) = known.with(line) {
            (self.known, self.other) = (Some(both), None);
            return Ok(());
        }
        let (other, times) = match self.other {
            Some((other, times)) => other.with(line).map_or((line, 1), |both| (both, times + 1)),
            None => (line, 1),
        };
        if times >= CHANGED_AFTER {
            (self.known, self.other) = (Some(other), None);
            return Ok(());
        }
        self.other = Some((other, times));
        Err(Defect::Columns { found: least, expected: known.least })
    }

    /// Whether a line of so many columns fits what several lines had.
    pub(super) fn is_settled_at(&self, columns: usize) -> bool {
        self.known.is_some_and(|known| known.lines > 1 && (known.least..=known.most).contains(&columns))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_with_another_number_is_refused_until_they_stay_different() {
        let mut count = ColumnCount::default();
        let mut take = |columns: RangeInclusive<usize>| count.take(columns).is_ok();
        assert!(take(3..=3) && !take(2..=2) && take(3..=3) && !take(2..=2) && !take(2..=2));
        assert!(take(2..=2), "the third in a row");
        assert!(!take(3..=3) && take(2..=3) && take(2..=2));
        assert!(!take(4..=4) && !take(5..=5) && !take(5..=5) && take(5..=5));
    }

    #[test]
    fn one_line_settles_nothing() {
        let mut count = ColumnCount::default();
        count.take(2..=2).unwrap();
        assert!(!count.is_settled_at(2));
        count.take(2..=4).unwrap();
        assert!(count.is_settled_at(2) && !count.is_settled_at(1));
    }
}
