//! How many standard uncertainties cover a stated share: Student's t, effective degrees of freedom.
//!
//! t comes from the regularised incomplete beta function (Abramowitz and Stegun 1964, 26.7.1 and
//! 26.5.8 = DLMF 8.17.22, from memory), inverted by bisection, which is slow and can't go astray.

use super::normal::normal_quantile;

/// On how much an uncertainty rests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Freedom {
    /// A number of degrees of freedom, n - 1 for the mean of n readings.
    Finite(f64),
    /// Known as if from endlessly many readings: a data sheet's limits.
    Unlimited,
}

impl Freedom {
    /// Cut down to a whole number, but not below 1, as JCGM 100 G.4.1 note 1 advises (from memory).
    pub(crate) fn truncated(self) -> Self {
        match self {
            Self::Finite(freedom) => Self::Finite(freedom.floor().max(1.0)),
            Self::Unlimited => Self::Unlimited,
        }
    }
}

/// A coverage factor that does not exist.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub(crate) enum CoverageError {
    /// The share to be covered lies outside its range.
    #[error("found the probability {found}, expected one between 0 and 1")]
    Probability {
        /// What was asked for.
        found: f64,
    },
    /// So few degrees of freedom tell nothing.
    #[error("found {found} degrees of freedom, expected {LEAST_FREEDOM} or more")]
    Freedom {
        /// What was given.
        found: f64,
    },
}

/// Below this, t for a usual share grows beyond all meaning. An uncertainty that is itself uncertain
/// by 100 % has this many by JCGM 100 G.4.2 equation G.3.
const LEAST_FREEDOM: f64 = 0.5;

/// The factor k such that ± k u covers `probability` (0.95 for 95 %): the two-sided quantile of
/// Student's t, JCGM 100 G.3.4 and table G.2.
///
/// # Errors
/// [`CoverageError`] where the probability is not between 0 and 1 or the degrees of freedom are
/// below one half.
pub(crate) fn coverage_factor(probability: f64, freedom: Freedom) -> Result<f64, CoverageError> {
    let z = (probability > 0.0)
        .then(|| normal_quantile(0.5 + 0.5 * probability))
        .flatten()
        .ok_or(CoverageError::Probability { found: probability })?;
    let Freedom::Finite(nu) = freedom else { return Ok(z) };
    if nu.is_nan() || nu < LEAST_FREEDOM {
        return Err(CoverageError::Freedom { found: nu });
    }
    if nu > 1e5 {
        // Abramowitz and Stegun 26.7.5, first term: the next is below 1e-9 here.
        return Ok(z + (z.powi(3) + z) / (4.0 * nu));
    }
    let tail = 1.0 - probability;
    let (mut low, mut high) = (0.0, 1.0);
    while two_sided_tail(high, nu) > tail {
        low = high;
        high *= 2.0;
    }
    while high - low > 1e-14 * high {
        let middle = 0.5 * (low + high);
        if two_sided_tail(middle, nu) > tail { low = middle } else { high = middle }
    }
    Ok(0.5 * (low + high))
}

/// The factor that covers `probability` where one rectangular contribution outweighs all others:
/// k = p √3, EA-4/02 S9.9 (from memory).
pub(crate) fn rectangular_coverage_factor(probability: f64) -> f64 {
    probability * 3.0_f64.sqrt()
}

/// The effective degrees of freedom of independent contributions (standard uncertainty in the
/// result's unit, degrees of freedom): Welch and Satterthwaite, JCGM 100 G.4.1 equation G.2b.
pub(crate) fn welch_satterthwaite(contributions: &[(f64, Freedom)]) -> Freedom {
    let combined = contributions.iter().map(|(u, _)| u * u).sum::<f64>();
    let weighted = contributions
        .iter()
        .map(|(u, freedom)| match freedom {
            Freedom::Finite(nu) => (u * u / combined).powi(2) / nu,
            Freedom::Unlimited => 0.0,
        })
        .sum::<f64>();
    if combined > 0.0 && weighted > 0.0 { Freedom::Finite(1.0 / weighted) } else { Freedom::Unlimited }
}

/// The probability that |T| exceeds `t` with `nu` degrees of freedom.
fn two_sided_tail(t: f64, nu: f64) -> f64 {
    let square = t * t;
    incomplete_beta(0.5 * nu, 0.5, nu / (nu + square), square / (nu + square))
}

/// The regularised incomplete beta function at `x`, with `y` = 1 - x given for its digits' sake.
fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if y <= 0.0 {
        return 1.0;
    }
    // The fraction converges fast on this side only.
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, y, x);
    }
    let ln_beta = libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b);
    (a * x.ln() + b * y.ln() - ln_beta).exp() / a * beta_fraction(a, b, x)
}

/// The continued fraction 1/(1 + d₁/(1 + d₂/(1 + …))), by Lentz's method (from memory).
fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let nonzero = |value: f64| if value.abs() < TINY { TINY } else { value };
    let mut ratio = 0.0;
    let mut upper = 1.0;
    let mut result = 1.0;
    // Some √max(a, b) terms are needed: a few hundred at most, as `nu` is limited.
    for k in 1..10_000_u32 {
        let m = f64::from(k / 2);
        let d = if k % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        ratio = 1.0 / nonzero(1.0 + d * ratio);
        upper = nonzero(1.0 + d / upper);
        let change = ratio * upper;
        result *= change;
        if (change - 1.0).abs() < 1e-15 {
            break;
        }
    }
    1.0 / result
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};

    #[test]
    fn students_t_of_the_table() {
        // Computed with scipy 1.17.1 for the rows and columns of JCGM 100 table G.2.
        for row in rows(include_str!("../../tests/data/electrics/student_t_two_sided.csv")) {
            let freedom = if row[0] == "inf" { Freedom::Unlimited } else { Freedom::Finite(number(row[0])) };
            for (p, cell) in [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973].into_iter().zip(&row[1..]) {
                near(coverage_factor(p, freedom).unwrap(), number(cell), 6e-7);
            }
        }
    }

    #[test]
    fn one_and_two_degrees_of_freedom_have_closed_forms() {
        // Textbook identities: t = tan(πp/2) for one, p √2 / √(1 - p²) for two.
        for p in [0.01, 0.5, 0.95, 0.999_999] {
            let cauchy = (std::f64::consts::FRAC_PI_2 * p).tan();
            near(coverage_factor(p, Freedom::Finite(1.0)).unwrap() / cauchy, 1.0, 1e-9);
            let second = p * 2.0_f64.sqrt() / (1.0 - p * p).sqrt();
            near(coverage_factor(p, Freedom::Finite(2.0)).unwrap() / second, 1.0, 1e-9);
        }
    }

    #[test]
    fn many_degrees_of_freedom_join_the_normal_distribution() {
        let [below, above] = [1e5, 1.000_001e5].map(|nu| coverage_factor(0.95, Freedom::Finite(nu)).unwrap());
        near(below, above, 1e-9);
        let unlimited = coverage_factor(0.95, Freedom::Unlimited).unwrap();
        near(coverage_factor(0.95, Freedom::Finite(1e15)).unwrap(), unlimited, 1e-12);
        assert!(below > unlimited);
    }

    #[test]
    fn effective_degrees_of_freedom_of_a_product() {
        // JCGM 100 G.4.1, from memory: relative 0.25, 0.57, 0.82 %, n = 10, 5, 15: prints 19.0,
        // and U95 = 2.2 %.
        let parts = [(0.25, Freedom::Finite(9.0)), (0.57, Freedom::Finite(4.0)), (0.82, Freedom::Finite(14.0))];
        let Freedom::Finite(nu) = welch_satterthwaite(&parts) else { panic!("all parts are finite") };
        near(nu, 18.998742, 1e-6);
        let combined = parts.iter().map(|(u, _)| u * u).sum::<f64>().sqrt();
        near(combined, 1.029466, 5e-7);
        near(coverage_factor(0.95, Freedom::Finite(19.0)).unwrap() * combined, 2.1547, 1e-4);
    }

    #[test]
    fn effective_degrees_of_freedom_of_a_gauge_block() {
        // JCGM 100 H.1.6, from memory: prints 16.7, truncated to 16; t99 = 2.92; U99 = 93 nm.
        let parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)].map(|(u, nu)| (u, Freedom::Finite(nu)));
        let freedom = welch_satterthwaite(&parts);
        let Freedom::Finite(nu) = freedom else { panic!("all parts are finite") };
        near(nu, 16.7646, 5e-5);
        assert_eq!(freedom.truncated(), Freedom::Finite(16.0));
        near(coverage_factor(0.99, freedom.truncated()).unwrap() * 32.0, 93.465, 5e-4);
    }

    #[test]
    fn data_sheets_alone_leave_unlimited_freedom() {
        assert_eq!(welch_satterthwaite(&[(0.1, Freedom::Unlimited), (0.2, Freedom::Unlimited)]), Freedom::Unlimited);
        assert_eq!(welch_satterthwaite(&[(0.0, Freedom::Finite(3.0))]), Freedom::Unlimited);
        assert_eq!(welch_satterthwaite(&[]), Freedom::Unlimited);
    }

    #[test]
    fn a_dominant_rectangle_needs_less_than_two() {
        // EA-4/02 S9.9 to S9.11, from memory: k = 1.65, U = 0.05 V.
        near(rectangular_coverage_factor(0.95), 1.645448, 5e-7);
        near(rectangular_coverage_factor(0.95) * 0.029575, 0.04866, 5e-6);
    }

    #[test]
    fn what_does_not_exist_is_told() {
        for p in [0.0, 1.0, -1.0, f64::NAN] {
            assert!(matches!(coverage_factor(p, Freedom::Unlimited), Err(CoverageError::Probability { .. })), "{p}");
        }
        let error = coverage_factor(0.95, Freedom::Finite(0.1)).unwrap_err();
        assert_eq!(error.to_string(), "found 0.1 degrees of freedom, expected 0.5 or more");
        // The worst that is allowed still ends.
        assert!(coverage_factor(1.0 - 1e-15, Freedom::Finite(0.5)).unwrap().is_finite());
    }
}
