//! The level of a signal and its noise, learnt from its newest samples in constant memory.

/// The level is the mean of about so many samples.
const MEMORY: u32 = 64;
/// The noise is that of about so many.
const NOISE_MEMORY: u32 = 256;
/// Fewer samples tell neither.
const WARM: u32 = 8;
/// One difference counts as this many standard deviations at most: a jump is no noise.
const CLIP: f64 = 4.0;
/// Samples that hang together less than this (lag-one correlation) count as independent: as much is found by chance.
const LEAST_CORRELATION: f64 = 0.4;
/// Closer than this can't be told from a level that wanders.
const MOST_CORRELATION: f64 = 0.95;
/// No signal is taken to be quieter than this share of its level: common practice, no source.
const QUIETEST: f64 = 1e-4;

/// What a signal shows usually.
///
/// The noise comes from successive differences, δ² / 2 with δ² the mean square successive difference (von Neumann, Annals of
/// Mathematical Statistics 12, 1941, 367, from memory): a slow drift does not count as noise. Where samples hang together, as behind a
/// low-pass filter, that is less than their variance about the level, s²: it is s² (1 - ρ), with ρ the lag-one correlation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SignalLevel {
    count: u32,
    mean: f64,
    /// δ² / 2
    variance: f64,
    /// s²
    spread: f64,
    last: f64,
    digit: Option<f64>,
}

impl SignalLevel {
    /// Takes one more sample, with its last digit where that is known.
    pub(super) fn push(&mut self, value: f64, digit: Option<f64>) {
        self.count = self.count.saturating_add(1);
        self.digit = digit;
        let weight = 1.0 / f64::from(self.count.min(MEMORY));
        let off = value - self.mean;
        self.mean += weight * off;
        if self.count > 1 {
            let difference = value - self.last;
            let mut square = difference * difference / 2.0;
            // One value about the mean before and behind it: the sum of such products is that of the squares about the last mean
            // (Welford, Technometrics 4, 1962, 419, from memory).
            let mut about = off * (value - self.mean);
            if self.count > WARM {
                square = square.min((CLIP * self.noise()).powi(2));
                about = about.min((CLIP * self.deviation()).powi(2));
            }
            let weight = 1.0 / f64::from((self.count - 1).min(NOISE_MEMORY));
            self.variance += weight * (square - self.variance);
            self.spread += weight * (about - self.spread);
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

    /// Standard deviation of one sample about the level, also where samples hang together.
    pub(super) fn deviation(&self) -> f64 {
        if self.correlation() == 0.0 { self.noise() } else { self.spread.sqrt() }
    }

    /// Standard deviation of a sum of n samples over √n: larger than that of one by (1 + ρ) / (1 - ρ) under the root where samples hang
    /// together (a first-order process, textbook).
    pub(super) fn sum_deviation(&self) -> f64 {
        let correlation = self.correlation();
        self.deviation() * ((1.0 + correlation) / (1.0 - correlation)).sqrt()
    }

    /// The lag-one correlation; 0 where it may be chance.
    fn correlation(&self) -> f64 {
        let noise = self.noise();
        let correlation = 1.0 - noise * noise / self.spread.max(noise * noise);
        if correlation < LEAST_CORRELATION { 0.0 } else { correlation.min(MOST_CORRELATION) }
    }

    /// Standard deviation by successive differences; half a digit at least, since what is smaller than a digit is not seen.
    pub(super) fn noise(&self) -> f64 {
        self.variance
            .max(0.0)
            .sqrt()
            .max(0.5 * self.digit.unwrap_or(0.0))
            .max(QUIETEST * self.mean.abs())
            .max(f64::MIN_POSITIVE)
    }

    /// What the last digit is worth; none where it is not known.
    pub(super) fn digit(&self) -> Option<f64> {
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
            // While the mean is that of all values, so is the deviation from it.
            if values.len() <= MEMORY as usize {
                assert!((level.spread.sqrt() / deviation - 1.0).abs() < 1e-9, "{deviation}: {level:?}");
            }
        }
    }

    /// A first-order process: its lag-one correlation is its own coefficient, and a sum of n of its values deviates by
    /// √n s √((1 + ρ) / (1 - ρ)) (textbook, from memory).
    #[test]
    fn samples_that_hang_together_are_known_by_it() {
        for (coefficient, least, most) in [(0.0, 0.9, 1.1), (0.2, 0.8, 1.1), (0.8, 2.0, 3.6), (0.9, 2.6, 5.0)] {
            let (mut level, mut noise, mut value) = (SignalLevel::default(), Noise::of_seed(7), 0.0);
            for _ in 0..4000 {
                value = coefficient * value + (1.0f64 - coefficient * coefficient).sqrt() * noise.normal();
                level.push(5.0 + 0.02 * value, None);
            }
            let ratio = level.sum_deviation() / 0.02;
            assert!((least..most).contains(&ratio), "{coefficient}: {ratio}");
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
