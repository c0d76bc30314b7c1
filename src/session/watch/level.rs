//! The level of a signal and its noise, learnt from its newest samples in constant memory.

/// The level is the mean of about so many samples.
const MEMORY: u32 = 64;
/// The noise is that of about so many.
const NOISE_MEMORY: u32 = 256;
/// Fewer samples tell neither.
const WARM: u32 = 8;
/// One difference counts as this many standard deviations at most: a jump is no noise.
const CLIP: f64 = 4.0;
/// No signal is taken to be quieter than this share of its level: common practice, no source.
const QUIETEST: f64 = 1e-4;

/// What a signal shows usually.
///
/// The noise comes from successive differences, δ² / 2 with δ² the mean square successive difference (von Neumann, Annals of
/// Mathematical Statistics 12, 1941, 367, from memory): a slow drift does not count as noise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SignalLevel {
    count: u32,
    mean: f64,
    variance: f64,
    last: f64,
    digit: f64,
}

impl SignalLevel {
    /// Takes one more sample, with its last digit where that is known.
    pub(super) fn push(&mut self, value: f64, digit: Option<f64>) {
        self.count = self.count.saturating_add(1);
        self.digit = digit.unwrap_or(0.0);
        let weight = 1.0 / f64::from(self.count.min(MEMORY));
        self.mean += weight * (value - self.mean);
        if self.count > 1 {
            let difference = value - self.last;
            let mut square = difference * difference / 2.0;
            if self.count > WARM {
                let most = CLIP * self.noise();
                square = square.min(most * most);
            }
            let weight = 1.0 / f64::from((self.count - 1).min(NOISE_MEMORY));
            self.variance += weight * (square - self.variance);
        }
        self.last = value;
    }

    /// Goes on at another level with the same noise.
    pub(super) fn move_to(&mut self, level: f64) {
        (self.mean, self.last) = (level, level);
        self.count = self.count.min(WARM);
    }

    /// Whether enough was seen.
    pub(super) fn is_known(&self) -> bool {
        self.count >= WARM
    }

    /// The level, in the unit of the samples.
    pub(super) fn mean(&self) -> f64 {
        self.mean
    }

    /// Standard deviation of one sample; half a digit at least, since what is smaller than a digit is not seen.
    pub(super) fn noise(&self) -> f64 {
        self.variance.max(0.0).sqrt().max(0.5 * self.digit).max(QUIETEST * self.mean.abs()).max(f64::MIN_POSITIVE)
    }

    /// What the last digit is worth; 0 where it is not known.
    pub(super) fn digit(&self) -> f64 {
        self.digit
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::noise::Noise;

    #[test]
    fn level_and_noise_are_found_and_a_jump_is_no_noise() {
        let (mut level, mut noise) = (SignalLevel::default(), Noise::of_seed(1));
        for _ in 0..2000 {
            level.push(5.0 + 0.02 * noise.normal(), None);
        }
        assert!(level.is_known());
        assert!((level.mean() - 5.0).abs() < 0.02, "{level:?}");
        assert!((0.017..0.023).contains(&level.noise()), "{level:?}");
        level.push(0.0, None);
        assert!(level.noise() < 0.024, "{level:?}");
    }

    /// NIST's Statistical Reference Datasets, univariate summary statistics: the values with the certified mean m, standard deviation s and
    /// lag-1 autocorrelation r. Of n values half the mean square successive difference is
    /// s² (1 - r) - ((x₁ - m)² + (xₙ - m)²) / 2 (n - 1), by writing out the sums; that is what the noise is here, whatever the
    /// values do together.
    #[test]
    fn the_noise_of_values_that_hang_together_follows_from_nists_certified_figures() {
        let certified = [
            (include_str!("../../../tests/data/nist_strd/lew.csv"), -177.435, 277.332168044316, -0.307304800605679),
            (
                include_str!("../../../tests/data/nist_strd/lottery.csv"),
                518.958715596330,
                291.699727470969,
                -0.120948622967393,
            ),
            (
                include_str!("../../../tests/data/nist_strd/mavro.csv"),
                2.001856,
                0.000429123454003053,
                0.937989183438248,
            ),
            (
                include_str!("../../../tests/data/nist_strd/michelso.csv"),
                299.8524,
                0.0790105478190518,
                0.535199668621283,
            ),
        ];
        for (text, mean, deviation, autocorrelation) in certified {
            let values: Vec<f64> = text.lines().filter_map(|line| line.parse().ok()).collect();
            let mut level = SignalLevel::default();
            values.iter().for_each(|value| level.push(*value, None));
            let (first, last, count) = (values[0], values[values.len() - 1], values.len() as f64);
            let ends = ((first - mean).powi(2) + (last - mean).powi(2)) / (2.0 * (count - 1.0));
            let expected = (deviation * deviation * (1.0 - autocorrelation) - ends).sqrt();
            // As many digits as are certified of the least of them allow.
            assert!((level.variance.sqrt() / expected - 1.0).abs() < 1e-9, "{expected}: {level:?}");
            let floor = QUIETEST * level.mean().abs();
            assert!((level.noise() / expected.max(floor) - 1.0).abs() < 1e-9, "{expected}: {level:?}");
        }
    }

    #[test]
    fn a_display_that_stands_still_has_half_a_digit_of_noise() {
        let mut level = SignalLevel::default();
        for _ in 0..100 {
            level.push(12.41, Some(0.01));
        }
        assert_eq!(level.noise(), 0.005);
    }
}
