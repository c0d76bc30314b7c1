//! The standard normal distribution: probability from z, and z from probability.
//!
//! The error function is that of the `libm` crate. The inverse starts from Abramowitz and Stegun
//! 1964, 26.2.23 (absolute error below 4.5e-4, from memory) and is refined by Halley's method.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// The probability that a standard normal variable is at most `z`.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// The z below which a standard normal variable stays with `probability`.
///
/// `None` unless the probability lies between 0 and 1, both excluded, and is at least 1e-300.
pub(crate) fn normal_quantile(probability: f64) -> Option<f64> {
    if !(1e-300..1.0).contains(&probability) {
        return None;
    }
    // The lower half only: there the tail keeps all its digits.
    if probability > 0.5 {
        return Some(-lower_quantile(1.0 - probability));
    }
    Some(lower_quantile(probability))
}

fn lower_quantile(tail: f64) -> f64 {
    let t = (-2.0 * tail.ln()).sqrt();
    let numerator = 2.515517 + t * (0.802853 + t * 0.010328);
    let denominator = 1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308));
    let mut z = numerator / denominator - t;
    // Each pass triples the digits: 4, 12, then all that doubles hold.
    for _ in 0..3 {
        let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
        let step = (normal_cdf(z) - tail) / density;
        z -= step / (1.0 + 0.5 * z * step);
    }
    z
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    #[test]
    fn quantiles_of_the_table() {
        // Computed with scipy 1.17.1; JCGM 106:2012 table 1 prints the same to two decimals.
        for row in rows(include_str!("../../tests/data/electrics/normal_quantiles.csv")) {
            let (p, z) = (number(row[0]), number(row[1]));
            near(normal_quantile(p).unwrap(), z, 5e-10);
            near(normal_quantile(1.0 - p).unwrap(), -z, 5e-10);
            near(normal_cdf(z), p, 1e-9);
        }
    }

    #[test]
    fn tails_keep_their_digits() {
        // Six-sigma row of ILAC-G8:09/2019, w = 3 U: below 1 in a million; computed with scipy.
        near(normal_cdf(-6.0), 9.8659e-10, 5e-15);
        near(normal_cdf(-3.0), 0.00134990, 5e-9);
        near(normal_cdf(-1.96 * 1.5), 0.00164106, 5e-9);
        near(normal_cdf(-2.0), 0.02275013, 5e-9);
        // ISO 14253-1:2017, w = 0.83 U: below 5 %; computed with scipy.
        near(normal_cdf(-2.0 * 0.83), 0.04845723, 5e-9);
        near(normal_cdf(normal_quantile(1e-300).unwrap()) / 1e-300, 1.0, 1e-9);
    }

    #[test]
    fn what_two_and_three_deviations_cover() {
        // Columns of JCGM 100 table G.2 and the exact shares, computed with scipy 1.17.1.
        let covered = |k: f64| 1.0 - 2.0 * normal_cdf(-k);
        near(covered(2.0), 0.95449974, 5e-9);
        near(covered(3.0), 0.99730020, 5e-9);
        near(normal_quantile(0.5 + 0.5 * 0.9545).unwrap(), 2.000002, 5e-7);
        near(normal_quantile(0.5 + 0.5 * 0.9973).unwrap(), 2.999977, 5e-7);
    }

    #[test]
    fn what_is_no_probability_has_no_quantile() {
        for p in [0.0, 1.0, -0.1, 1.1, f64::NAN, f64::INFINITY] {
            assert_eq!(normal_quantile(p), None, "{p}");
        }
    }

    proptest! {
        #[test]
        fn the_quantile_undoes_the_probability(z in -8.0..5.0_f64) {
            let back = normal_quantile(normal_cdf(z)).unwrap();
            prop_assert!((back - z).abs() < 1e-9, "{} came back as {}", z, back);
        }
    }
}
