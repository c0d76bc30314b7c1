//! Running figures of one signal over a step: constant work and memory for each sample.

use super::Verdict;
use crate::{clock::Mono, electrics::RunningStatistics, protocol::Value};

/// A sample counts for the time until the next one, at most for this long: after that the
/// meter was silent, and nothing is known.
const LONGEST_HOLD_US: i64 = 2_000_000;

/// Last, mean, least, greatest, and how long outside.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Figures {
    /// Of the numbers among the samples.
    pub numbers: RunningStatistics,
    /// The newest number; none before the first.
    pub last: Option<f64>,
    /// What the last digit of the numbers is worth, the finest; none where that is not known.
    pub digit: Option<f64>,
    /// Samples beyond the meter's range.
    pub beyond: u64,
    /// How long the signal was outside the limit, µs.
    pub outside_us: i64,
    /// When the newest sample was measured, and whether it was outside.
    newest: Option<(Mono, bool)>,
}

impl Figures {
    /// Takes one more sample.
    pub fn add(&mut self, at: Mono, value: Value, digit: Option<f64>, verdict: Option<Verdict>) {
        if let Some((since, true)) = self.newest {
            self.outside_us += at.since(since).clamp(0, LONGEST_HOLD_US);
        }
        self.newest = Some((at, verdict == Some(Verdict::OutOfLimit)));
        match value {
            Value::Number(value) => {
                self.numbers.push(value);
                self.last = Some(value);
                self.digit = self.digit.into_iter().chain(digit).reduce(f64::min);
            }
            Value::Over | Value::Under => self.beyond += 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_outside_is_counted_but_not_across_silence() {
        let mut figures = Figures::default();
        for (at, outside) in [(0, false), (100, true), (300, true), (400, false), (500, true), (60_000, false)] {
            let verdict = if outside { Verdict::OutOfLimit } else { Verdict::InLimit };
            figures.add(Mono(at * 1000), Value::Number(1.0), None, Some(verdict));
        }
        assert_eq!(figures.outside_us, 300_000 + LONGEST_HOLD_US);
    }
}
