//! Whether a board sends its lines in one piece, and so what a pause in the middle of one means.

use std::time::Duration;

/// A busy computer, a bridge or a board may need so long in the middle of a line.
const ORDINARY: Duration = Duration::from_millis(100);

/// A pause that is so many times longer than those before it is another one.
const LONGER: u32 = 8;

/// So many lines in a row without a long pause were sent in one piece.
const LINES: u32 = 32;

/// A board whose lines are refused so often for a pause takes its time now and then ...
const MOST_REFUSED: u32 = 2;

/// ... unless so many lines came without one.
const LONG_AGO: u32 = 1000;

/// The pauses inside lines so far.
#[derive(Debug, Default)]
pub(in crate::protocol) struct LinePauses {
    longest: Duration,
    /// Lines since the last that was refused.
    lines: u32,
    refused: u32,
}

impl LinePauses {
    /// So many lines were completed.
    pub(in crate::protocol) fn completed(&mut self, lines: u32) {
        self.lines = self.lines.saturating_add(lines);
        if self.lines >= LONG_AGO {
            self.refused = 0;
        }
    }

    /// A pause came in the middle of a line: whether bytes were lost in it.
    pub(in crate::protocol) fn is_loss(&mut self, pause: Duration) -> bool {
        let is_long = pause > ORDINARY && pause > self.longest * LONGER;
        if is_long && self.lines >= LINES && self.refused < MOST_REFUSED {
            (self.lines, self.refused) = (0, self.refused + 1);
            return true;
        }
        self.longest = self.longest.max(pause);
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_board_that_sends_in_one_piece() {
        let (mut pauses, long) = (LinePauses::default(), Duration::from_millis(250));
        pauses.completed(LINES);
        assert!(!pauses.is_loss(Duration::from_millis(20)));
        assert!(pauses.is_loss(long));
        assert!(!pauses.is_loss(Duration::from_millis(90)), "nothing is known again");
    }

    #[test]
    fn a_board_that_takes_its_time_loses_no_more_than_two_lines() {
        let (mut pauses, long) = (LinePauses::default(), Duration::from_millis(250));
        assert!(!pauses.is_loss(long), "it did so from the beginning");
        pauses.completed(LINES);
        assert!(!pauses.is_loss(long));
        let mut pauses = LinePauses::default();
        let refused = (0..100).filter(|_| {
            pauses.completed(LINES);
            pauses.is_loss(long)
        });
        assert_eq!(refused.count(), MOST_REFUSED as usize);
    }
}
