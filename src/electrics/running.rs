//! Mean, deviation and extremes of values that arrive one by one, without keeping them.
//!
//! Welford's method (Technometrics 4, 1962, 419, from memory) on the distance from the first value, tested on the
//! certified results of NIST's Statistical Reference Datasets. It knows no time and no unit.

/// What is known of the values seen so far; all results are in their unit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RunningStatistics {
    count: u64,
    first: f64,
    min: f64,
    max: f64,
    /// The mean, as a distance from `first`: what the values have in common costs no digits.
    mean: f64,
    /// Σ (x - mean)².
    squares: f64,
}

impl RunningStatistics {
    /// Takes one more value, which must be finite.
    pub fn push(&mut self, value: f64) {
        debug_assert!(value.is_finite(), "an overload or a gap is never a value");
        if self.count == 0 {
            *self = Self { count: 1, first: value, min: value, max: value, ..Self::default() };
            return;
        }
        self.count += 1;
        let distance = value - self.first;
        let delta = distance - self.mean;
        self.mean += delta / self.count as f64;
        self.squares += delta * (distance - self.mean);
        self.min = self.min.min(value);
        self.max = self.max.max(value);
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

    /// The least value.
    pub fn min(&self) -> Option<f64> {
        (self.count > 0).then_some(self.min)
    }

    /// The greatest value.
    pub fn max(&self) -> Option<f64> {
        (self.count > 0).then_some(self.max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{number, rows};

    impl FromIterator<f64> for RunningStatistics {
        fn from_iter<T: IntoIterator<Item = f64>>(values: T) -> Self {
            let mut statistics = Self::default();
            values.into_iter().for_each(|value| statistics.push(value));
            statistics
        }
    }

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
    fn certified(values: impl Iterator<Item = f64>, mean: f64, deviation: f64, floor: f64) {
        let statistics: RunningStatistics = values.collect();
        digits(statistics.mean().unwrap(), mean, 14.0);
        digits(statistics.deviation().unwrap(), deviation, floor);
    }

    // Certified values of NIST's Statistical Reference Datasets, univariate summary statistics.
    // Floors, in digits: 14; 11 for Mavro and Michelso; 9 and 8 for NumAcc3 and NumAcc4, whose
    // data lose the rest when they become doubles.

    #[test]
    fn nist_lew() {
        certified(dataset!("lew"), -177.435, 277.332168044316, 14.0);
    }

    #[test]
    fn nist_lottery() {
        certified(dataset!("lottery"), 518.958715596330, 291.699727470969, 14.0);
    }

    #[test]
    fn nist_mavro() {
        certified(dataset!("mavro"), 2.001856, 0.000429123454003053, 11.0);
    }

    #[test]
    fn nist_michelso() {
        certified(dataset!("michelso"), 299.8524, 0.0790105478190518, 11.0);
    }

    #[test]
    fn nist_num_acc() {
        certified(dataset!("numacc1"), 10_000_002.0, 1.0, 14.0);
        certified(num_acc("1.2", "1.1", "1.3"), 1.2, 0.1, 14.0);
        certified(num_acc("1000000.2", "1000000.1", "1000000.3"), 1_000_000.2, 0.1, 9.0);
        certified(num_acc("10000000.2", "10000000.1", "10000000.3"), 10_000_000.2, 0.1, 8.0);
    }

    #[test]
    fn nothing_is_said_before_there_are_values() {
        let mut running = RunningStatistics::default();
        assert_eq!((running.mean(), running.min(), running.max()), (None, None, None));
        running.push(12.5);
        assert_eq!((running.mean(), running.deviation()), (Some(12.5), None));
        running.push(12.5);
        assert_eq!(running.deviation(), Some(0.0));
    }

    #[test]
    fn the_extremes_are_kept() {
        let running: RunningStatistics = [12.4, 9.6, 12.1].into_iter().collect();
        assert_eq!((running.min(), running.max(), running.count()), (Some(9.6), Some(12.4), 3));
    }
}
