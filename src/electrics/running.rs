//! Mean, deviation and extremes of values that arrive one by one, without keeping them.
//!
//! Welford's method (Technometrics 4, 1962, 419) on the distance from the first value, and the
//! pairwise combination of Chan, Golub and LeVeque (1979): both from memory, both held to the
//! certified results of NIST's Statistical Reference Datasets below. It knows no time and no unit.

/// What is known of the values seen so far; all results are in their unit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RunningStatistics {
    count: u64,
    first: f64,
    last: f64,
    min: f64,
    max: f64,
    /// The mean, as a distance from `first`: what the values have in common costs no digits.
    mean: f64,
    /// Σ (x - mean)².
    squares: f64,
    /// Σ (xₖ - first)(xₖ₊₁ - first), for the autocorrelation.
    neighbours: f64,
}

impl RunningStatistics {
    /// Nothing seen yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one more value, which must be finite.
    pub fn push(&mut self, value: f64) {
        debug_assert!(value.is_finite(), "an overload or a gap is never a value");
        if self.count == 0 {
            *self = Self { count: 1, first: value, last: value, min: value, max: value, ..Self::default() };
            return;
        }
        self.count += 1;
        let distance = value - self.first;
        let delta = distance - self.mean;
        self.mean += delta / self.count as f64;
        self.squares += delta * (distance - self.mean);
        self.neighbours += (self.last - self.first) * distance;
        self.last = value;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
    }

    /// Takes all that `later` has seen, as if its values had followed these.
    pub fn merge(&mut self, later: &Self) {
        if later.count == 0 {
            return;
        }
        if self.count == 0 {
            *self = *later;
            return;
        }
        let (n, m) = (self.count as f64, later.count as f64);
        let shift = later.first - self.first;
        // Both ends of the later run, each once too often in Σ xₖ + Σ xₖ₊₁, seen from its own first.
        let inner_sums = 2.0 * m * later.mean - (later.last - later.first);
        self.neighbours +=
            (self.last - self.first) * shift + later.neighbours + shift * inner_sums + (m - 1.0) * shift * shift;
        let delta = shift + later.mean - self.mean;
        self.squares += later.squares + delta * delta * n * m / (n + m);
        self.mean += delta * m / (n + m);
        self.count += later.count;
        self.last = later.last;
        self.min = self.min.min(later.min);
        self.max = self.max.max(later.max);
    }

    /// How many values there were.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The mean; `None` before the first value.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.first + self.mean)
    }

    /// The experimental standard deviation (n - 1), JCGM 100 4.2.2 equation 4; `None` below two
    /// values.
    pub fn deviation(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count as f64 - 1.0)).sqrt())
    }

    /// The standard deviation of the mean s/√n, JCGM 100 4.2.3 equation 5; `None` below two values.
    /// It supposes that the values are independent: where a meter repeats itself
    /// ([`RunningStatistics::autocorrelation`] well above zero) it is too small.
    pub fn deviation_of_mean(&self) -> Option<f64> {
        self.deviation().map(|s| s / (self.count as f64).sqrt())
    }

    /// The least value.
    pub fn min(&self) -> Option<f64> {
        (self.count > 0).then_some(self.min)
    }

    /// The greatest value.
    pub fn max(&self) -> Option<f64> {
        (self.count > 0).then_some(self.max)
    }

    /// The lag-1 autocorrelation Σ(xₖ-m)(xₖ₊₁-m) / Σ(xₖ-m)², as NIST defines it for its datasets;
    /// `None` below two values or where all are equal.
    pub fn autocorrelation(&self) -> Option<f64> {
        if self.count < 2 || self.squares <= 0.0 {
            return None;
        }
        let n = self.count as f64;
        let inner_sums = 2.0 * n * self.mean - (self.last - self.first);
        Some((self.neighbours - self.mean * inner_sums + (n - 1.0) * self.mean * self.mean) / self.squares)
    }
}

impl Extend<f64> for RunningStatistics {
    fn extend<T: IntoIterator<Item = f64>>(&mut self, values: T) {
        values.into_iter().for_each(|value| self.push(value));
    }
}

impl FromIterator<f64> for RunningStatistics {
    fn from_iter<T: IntoIterator<Item = f64>>(values: T) -> Self {
        let mut running = Self::new();
        running.extend(values);
        running
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    macro_rules! dataset {
        ($name:literal) => {
            rows(include_str!(concat!("../../tests/data/nist_strd/", $name, ".csv"))).map(|row| number(row[0]))
        };
    }

    /// The last three of NIST's NumAcc sets: the mean, then 500 times a pair 0.1 below and above.
    fn num_acc(mean: &str, below: &str, above: &str) -> impl Iterator<Item = f64> {
        let (mean, below, above) = (number(mean), number(below), number(above));
        std::iter::once(mean).chain(std::iter::repeat_n([below, above], 500).flatten())
    }

    /// The log relative error, NIST's measure: how many digits agree.
    #[track_caller]
    fn digits(found: f64, certified: f64, floor: f64) {
        let digits = if found == certified { 15.0 } else { -((found - certified) / certified).abs().log10() };
        assert!(digits >= floor, "{digits:.1} digits of {certified}, found {found}, expected {floor}");
    }

    #[track_caller]
    fn certified(values: impl Iterator<Item = f64>, mean: f64, deviation: f64, lag1: f64, floor: f64) {
        let values: Vec<f64> = values.collect();
        let all: RunningStatistics = values.iter().copied().collect();
        let (head, tail) = values.split_at(values.len() / 3);
        let mut merged: RunningStatistics = head.iter().copied().collect();
        merged.merge(&tail.iter().copied().collect());
        for running in [all, merged] {
            digits(running.mean().unwrap(), mean, 14.0);
            digits(running.deviation().unwrap(), deviation, floor);
            digits(running.autocorrelation().unwrap(), lag1, floor.min(11.0));
        }
    }

    // Certified values of NIST's Statistical Reference Datasets, univariate summary statistics.
    // Floors, in digits: 14; 11 for Mavro and Michelso; 9 and 8 for NumAcc3 and NumAcc4, whose
    // data lose the rest when they become doubles.

    #[test]
    fn nist_lew() {
        certified(dataset!("lew"), -177.435, 277.332168044316, -0.307304800605679, 14.0);
    }

    #[test]
    fn nist_lottery() {
        certified(dataset!("lottery"), 518.958715596330, 291.699727470969, -0.120948622967393, 14.0);
    }

    #[test]
    fn nist_mavro() {
        certified(dataset!("mavro"), 2.001856, 0.000429123454003053, 0.937989183438248, 11.0);
    }

    #[test]
    fn nist_michelso() {
        certified(dataset!("michelso"), 299.8524, 0.0790105478190518, 0.535199668621283, 11.0);
    }

    #[test]
    fn nist_num_acc() {
        certified(dataset!("numacc1"), 10_000_002.0, 1.0, -0.5, 14.0);
        certified(num_acc("1.2", "1.1", "1.3"), 1.2, 0.1, -0.999, 14.0);
        certified(num_acc("1000000.2", "1000000.1", "1000000.3"), 1_000_000.2, 0.1, -0.999, 9.0);
        certified(num_acc("10000000.2", "10000000.1", "10000000.3"), 10_000_000.2, 0.1, -0.999, 8.0);
    }

    #[test]
    fn nothing_is_said_before_there_are_values() {
        let mut running = RunningStatistics::new();
        assert_eq!((running.mean(), running.min(), running.max()), (None, None, None));
        running.push(12.5);
        assert_eq!((running.mean(), running.deviation(), running.deviation_of_mean()), (Some(12.5), None, None));
        running.push(12.5);
        assert_eq!((running.deviation(), running.autocorrelation()), (Some(0.0), None));
    }

    #[test]
    fn the_extremes_are_kept() {
        let running: RunningStatistics = [12.4, 9.6, 12.1].into_iter().collect();
        assert_eq!((running.min(), running.max(), running.count()), (Some(9.6), Some(12.4), 3));
        near(running.deviation_of_mean().unwrap(), running.deviation().unwrap() / 3.0_f64.sqrt(), 1e-15);
    }

    proptest! {
        #[test]
        fn merging_equals_seeing_all(
            head in proptest::collection::vec(-1e4..1e4_f64, 0..40),
            tail in proptest::collection::vec(-1e4..1e4_f64, 0..40),
        ) {
            let all: RunningStatistics = head.iter().chain(&tail).copied().collect();
            let mut merged: RunningStatistics = head.into_iter().collect();
            merged.merge(&tail.into_iter().collect());
            prop_assert_eq!(merged.count(), all.count());
            prop_assert_eq!((merged.min(), merged.max()), (all.min(), all.max()));
            for (merged, all) in [
                (merged.mean(), all.mean()),
                (merged.deviation(), all.deviation()),
                (merged.autocorrelation(), all.autocorrelation()),
            ] {
                prop_assert_eq!(merged.is_some(), all.is_some());
                if let (Some(merged), Some(all)) = (merged, all) {
                    prop_assert!((merged - all).abs() <= 1e-8 * (1.0 + all.abs()), "{} and {}", merged, all);
                }
            }
        }
    }
}
