//! Whether a line may be two halves: the end of the line before is lost, and the begin of this one.
//!
//! A board's lines have no checksum, but are alike: the same names, signs and units in the same order around numbers that are
//! written the same way. Those are learnt. A line is refused where it is another one *and* could be put together from the
//! beginning of a known one and the end of a known one; what is new altogether (`OL`, another name, a text) is no such line. One
//! that stays different is learnt: nothing is refused for longer than two lines.
//!
//! What no form shows: halves that were cut at the same place of the same number.
//!
//! Reading order: `skeleton` (what a line is made of), `number_form`, this file, `pauses`.

mod number_form;
mod pauses;
mod skeleton;

#[cfg(test)]
mod tests;

use std::ops::Range;

use number_form::NumberForm;
pub(super) use pauses::LinePauses;
use skeleton::{Skeleton, may_be_cut};

/// So many lines without anything new show what a board's lines are like.
const SETTLED_AFTER: u32 = 16;

/// More kinds of lines of one board are not kept apart; the one that is not seen for longest is forgotten.
const MOST_KINDS: usize = 8;

/// A line that is refused is learnt when it comes this often ...
const LEARNT_AFTER: u32 = 3;

/// ... within so many lines.
const LEARNT_WITHIN: u32 = 100;

/// What the lines of a board were like.
#[derive(Debug, Default)]
pub(super) struct LineShapes {
    kinds: Vec<LineKind>,
    /// The line at hand.
    line: Skeleton,
    lines: u32,
    /// When a kind of line was learnt last, in lines.
    newest: u32,
    refused_line: Option<RefusedLine>,
}

/// Lines with the same text around their numbers.
#[derive(Debug)]
struct LineKind {
    text: Vec<u8>,
    numbers: Vec<NumberForm>,
    seen: u32,
}

/// What makes a line another one than those before.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Novelty {
    /// The text around the numbers.
    Text,
    /// How this number of this kind of line is written.
    Number { kind: usize, index: usize },
}

/// A line that was refused, and how often.
#[derive(Debug)]
struct RefusedLine {
    text: Vec<u8>,
    decimals: Option<u8>,
    times: u32,
    first: u32,
}

/// Where a line differs: the bytes of a number; none where it is the text around them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct OtherShape(pub Option<Range<usize>>);

impl LineShapes {
    /// Whether a line that was decoded may be kept; what is kept is learnt.
    ///
    /// # Errors
    /// It may be two halves.
    pub(super) fn take(&mut self, line: &[u8]) -> Result<(), OtherShape> {
        self.line.read(line);
        self.lines = self.lines.saturating_add(1);
        match self.novelty() {
            Some(novelty) if !self.stays_different(novelty) => Err(OtherShape(match novelty {
                Novelty::Text => None,
                Novelty::Number { index, .. } => Some(self.line.numbers[index].bytes.clone()),
            })),
            Some(Novelty::Number { kind, index }) => {
                self.kinds[kind].numbers[index] = NumberForm::default();
                self.learn();
                Ok(())
            }
            Some(Novelty::Text) | None => {
                self.learn();
                Ok(())
            }
        }
    }

    /// A line that its decoder refused may be the first of a new kind.
    pub(super) fn refused(&mut self, line: &[u8]) {
        self.line.read(line);
        self.lines = self.lines.saturating_add(1);
        if let Some(novelty) = self.novelty() {
            self.stays_different(novelty);
        }
    }

    /// The port went away: another board may come.
    pub(super) fn reset(&mut self) {
        *self = Self { line: std::mem::take(&mut self.line), ..Self::default() };
    }

    fn novelty(&self) -> Option<Novelty> {
        let Some(kind) = self.kinds.iter().position(|kind| kind.text == self.line.text) else {
            let is_settled = self.lines.saturating_sub(self.newest) > SETTLED_AFTER;
            return (is_settled && self.may_be_halves()).then_some(Novelty::Text);
        };
        let mut numbers = self.kinds[kind].numbers.iter().zip(&self.line.numbers);
        let index = numbers.position(|(form, number)| !form.fits(number))?;
        Some(Novelty::Number { kind, index })
    }

    /// Whether the beginning of a line of a known kind and the end of one of the same kind give the text of this.
    fn may_be_halves(&self) -> bool {
        let text = &self.line.text[..];
        let alike = |(one, other): &(&u8, &u8)| one == other;
        self.kinds.iter().any(|kind| {
            let begin = text.iter().zip(&kind.text).take_while(alike).count();
            let end = text.iter().rev().zip(kind.text.iter().rev()).take_while(alike).count();
            let mut cuts = text.len() - end..=begin;
            cuts.any(|cut| may_be_cut(cut.checked_sub(1).map(|at| &text[at]), text.get(cut)))
        })
    }

    /// Counts a line that would be refused; whether it came often enough to be the board's way.
    fn stays_different(&mut self, novelty: Novelty) -> bool {
        let decimals = match novelty {
            Novelty::Text => None,
            Novelty::Number { index, .. } => Some(self.line.numbers[index].decimals),
        };
        let same = |known: &&mut RefusedLine| known.decimals == decimals && known.text == self.line.text;
        let lines = self.lines;
        let recent = |known: &&mut RefusedLine| lines - known.first <= LEARNT_WITHIN;
        match self.refused_line.as_mut().filter(same).filter(recent) {
            Some(known) => known.times += 1,
            None => {
                let text = self.line.text.clone();
                self.refused_line = Some(RefusedLine { text, decimals, times: 1, first: lines });
            }
        }
        self.refused_line.as_ref().is_some_and(|known| known.times >= LEARNT_AFTER)
    }

    fn learn(&mut self) {
        let kind = match self.kinds.iter().position(|kind| kind.text == self.line.text) {
            Some(kind) => kind,
            None => {
                self.newest = self.lines;
                if self.kinds.len() == MOST_KINDS {
                    let oldest = (0..self.kinds.len()).min_by_key(|kind| self.kinds[*kind].seen);
                    self.kinds.swap_remove(oldest.expect("there are several"));
                }
                let numbers = self.line.numbers.iter().map(|_| NumberForm::default()).collect();
                self.kinds.push(LineKind { text: self.line.text.clone(), numbers, seen: self.lines });
                self.kinds.len() - 1
            }
        };
        let kind = &mut self.kinds[kind];
        kind.seen = self.lines;
        kind.numbers.iter_mut().zip(&self.line.numbers).for_each(|(form, number)| form.learn(number));
    }
}
