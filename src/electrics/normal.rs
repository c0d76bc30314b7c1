//! The standard normal distribution: the probability from z, by the error function of the `libm` crate.

use std::f64::consts::FRAC_1_SQRT_2;

/// The probability that a standard normal variable is at most `z`.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};

    #[test]
    fn probabilities_of_the_table() {
        // Computed with scipy 1.17.1; JCGM 106:2012 table 1 prints the same to two decimals.
        for row in rows(include_str!("../../tests/data/electrics/normal_quantiles.csv")) {
            near(normal_cdf(number(row[1])), number(row[0]), 1e-9);
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
    }

    #[test]
    fn what_two_and_three_deviations_cover() {
        // Columns of JCGM 100 table G.2 and the exact shares, computed with scipy 1.17.1.
        let covered = |k: f64| 1.0 - 2.0 * normal_cdf(-k);
        near(covered(2.0), 0.95449974, 5e-9);
        near(covered(3.0), 0.99730020, 5e-9);
    }
}
