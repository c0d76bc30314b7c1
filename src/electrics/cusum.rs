//! A shift of the mean of a noisy signal, found sample by sample.
//!
//! Cumulative sums (Page, Biometrika 41, 1954, 100, from memory): what goes beyond `reference` standard deviations adds up, and
//! a sum above `threshold` is a shift. Tested against the run length that a Markov chain gives (Brook and Evans, Biometrika 59,
//! 1972, 539, from memory).

/// Sums in both directions over values in standard deviations from the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CumulativeSums {
    reference: f64,
    threshold: f64,
    up: f64,
    down: f64,
}

impl CumulativeSums {
    /// `reference` is half of the shift that is to be found fastest; both are in standard deviations.
    pub(crate) fn new(reference: f64, threshold: f64) -> Self {
        Self { reference, threshold, up: 0.0, down: 0.0 }
    }

    /// Takes the next value; true once the mean has shifted.
    pub(crate) fn push(&mut self, z: f64) -> bool {
        self.up = (self.up + z - self.reference).max(0.0);
        self.down = (self.down - z - self.reference).max(0.0);
        self.up > self.threshold || self.down > self.threshold
    }

    /// Begins anew.
    pub(crate) fn reset(&mut self) {
        (self.up, self.down) = (0.0, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::{noise::Noise, normal::normal_cdf};

    /// Mean run length of one sum that starts at zero, by the Markov chain of Brook and Evans: the sum in `states` cells, the
    /// probabilities to go from one to another, and (I - R)⁻¹ 1. Shares nothing with the code above.
    fn run_length(reference: f64, threshold: f64, shift: f64, states: usize) -> f64 {
        let width = 2.0 * threshold / (2 * states - 1) as f64;
        let step = |from: usize, to: usize| {
            let (from, to) = (from as f64 * width, to as f64 * width);
            let upper = normal_cdf(to + width / 2.0 - from + reference - shift);
            let lower = if to == 0.0 { 0.0 } else { normal_cdf(to - width / 2.0 - from + reference - shift) };
            upper - lower
        };
        let mut rows: Vec<Vec<f64>> = (0..states)
            .map(|from| {
                let mut row: Vec<f64> =
                    (0..states).map(|to| f64::from(u8::from(from == to)) - step(from, to)).collect();
                row.push(1.0);
                row
            })
            .collect();
        for pivot in 0..states {
            let best = (pivot..states).max_by(|a, b| rows[*a][pivot].abs().total_cmp(&rows[*b][pivot].abs())).unwrap();
            rows.swap(pivot, best);
            let own = rows[pivot].clone();
            for row in rows.iter_mut().skip(pivot + 1) {
                let share = row[pivot] / own[pivot];
                row.iter_mut().zip(&own).skip(pivot).for_each(|(cell, own)| *cell -= share * own);
            }
        }
        let mut lengths = vec![0.0; states];
        for row in (0..states).rev() {
            let known: f64 = (row + 1..states).map(|column| rows[row][column] * lengths[column]).sum();
            lengths[row] = (rows[row][states] - known) / rows[row][row];
        }
        lengths[0]
    }

    /// Mean number of values until a shift is reported.
    fn simulated(reference: f64, threshold: f64, shift: f64, runs: usize, seed: u64) -> f64 {
        let mut noise = Noise::of_seed(seed);
        let mut values = 0_u64;
        for _ in 0..runs {
            let mut sums = CumulativeSums::new(reference, threshold);
            values += 1;
            while !sums.push(shift + noise.normal()) {
                values += 1;
            }
        }
        values as f64 / runs as f64
    }

    #[test]
    fn the_markov_chain_gives_the_tables_figures() {
        // Mean run lengths of one sum with k = 0.5, from memory of the usual tables: h = 4: 336 and 8.34 for a shift of 1;
        // h = 5: 930 and 10.3.
        for (threshold, shift, length) in [(4.0, 0.0, 336.0), (4.0, 1.0, 8.34), (5.0, 0.0, 930.0), (5.0, 1.0, 10.3)] {
            let own = run_length(0.5, threshold, shift, 200);
            assert!((own / length - 1.0).abs() < 0.02, "h = {threshold}, shift {shift}: {own}");
        }
    }

    #[test]
    fn run_lengths_are_those_of_the_markov_chain() {
        // Of two sums in opposite directions the rates add (from memory: van Dobben de Bruyn 1968); a shifted mean leaves one.
        let both = |reference: f64, threshold: f64| run_length(reference, threshold, 0.0, 200) / 2.0;
        for (reference, threshold) in [(0.5, 4.0), (1.0, 2.5)] {
            let (own, other) = (simulated(reference, threshold, 0.0, 4000, 11), both(reference, threshold));
            assert!((own / other - 1.0).abs() < 0.06, "k = {reference}, h = {threshold}: {own} and {other}");
        }
        for shift in [1.0, 2.0, 4.0] {
            let (own, other) = (simulated(0.5, 5.0, shift, 4000, 12), run_length(0.5, 5.0, shift, 200));
            assert!((own / other - 1.0).abs() < 0.03, "shift {shift}: {own} and {other}");
        }
    }

    /// Why sums, and not each value by itself: at the same rate of false ones a shift of 4 deviations is found many times
    /// sooner.
    #[test]
    fn sums_find_a_shift_sooner_than_single_values_do() {
        let length = run_length(2.0, 6.0, 0.0, 150) / 2.0;
        // An hour of 16 channels at 1,000 samples a second has 5.8e7.
        assert!(length > 1e9, "{length:e}");
        let (mut low, mut high) = (3.0, 9.0);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if 2.0 * normal_cdf(-middle) * length > 1.0 { low = middle } else { high = middle }
        }
        let by_sums = run_length(2.0, 6.0, 4.0, 150);
        let by_single_values = 1.0 / normal_cdf(4.0 - low);
        assert!(by_sums < 5.0 && by_single_values > 20.0 * by_sums, "{by_sums} and {by_single_values} samples");
    }
}
