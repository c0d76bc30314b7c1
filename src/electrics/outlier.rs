//! Which of several like parts is unlike its siblings: median, MAD and the modified z-score.
//!
//! Robust: one bad coil among three must not shift the value that all are compared with. Sources, from
//! memory: Iglewicz and Hoaglin 1993, "How to Detect and Handle Outliers" (the score and its customary
//! 3.5); Rousseeuw and Croux, J. Am. Stat. Assoc. 88, 1993, 1273 (the factor 1.4826).

/// The score beyond which a value is customarily called an outlier (Iglewicz and Hoaglin 1993).
pub(crate) const CUSTOMARY_SCORE: f64 = 3.5;

/// 1/Φ⁻¹(3/4): makes the MAD of normal values estimate their standard deviation.
const MAD_TO_DEVIATION: f64 = 1.482602218505602;

/// Values that can't be compared as siblings.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub(crate) enum OutlierError {
    /// Of two that differ, either may be the odd one.
    #[error("found {found} values, expected three or more")]
    TooFew {
        /// How many there are.
        found: usize,
    },
    /// The least spread is no positive number.
    #[error("found the least spread {found}, expected more than zero")]
    LeastSpread {
        /// What was given.
        found: f64,
    },
}

/// The middle value, or the mean of the middle two; `None` without values.
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    Some(if sorted.len() % 2 == 1 {
        sorted[middle]
    } else {
        sorted[middle - 1] + 0.5 * (sorted[middle] - sorted[middle - 1])
    })
}

/// The median absolute deviation from the median, times 1.4826: the standard deviation of the values
/// if they are normal, in their unit. Zero where more than half are equal; `None` without values.
pub(crate) fn mad(values: &[f64]) -> Option<f64> {
    let middle = median(values)?;
    let distances: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    median(&distances).map(|mad| mad * MAD_TO_DEVIATION)
}

/// Like parts, measured alike, compared with each other.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Siblings {
    /// Their median, in their unit.
    pub median: f64,
    /// The spread by which they were judged, as a standard deviation in their unit.
    pub spread: f64,
    /// The modified z-score of each, in the order given: its distance from the median over the spread.
    pub scores: Vec<f64>,
}

impl Siblings {
    /// Compares three or more values. `least_spread` is the standard deviation that healthy siblings
    /// may have, from the parts' tolerance and the measurement's uncertainty, in the values' unit.
    ///
    /// The spread is the scaled MAD, but never less than `least_spread`. Without that, two coils
    /// that happen to read the same would condemn the third for its last digit (a MAD of zero), and
    /// of three normal values more than a quarter of all sets would hold an outlier. Where most
    /// values differ by much, the MAD is large and nobody is odd.
    ///
    /// # Errors
    /// [`OutlierError`] below three values or where `least_spread` is not above zero.
    pub(crate) fn compare(values: &[f64], least_spread: f64) -> Result<Self, OutlierError> {
        if least_spread.is_nan() || least_spread <= 0.0 {
            return Err(OutlierError::LeastSpread { found: least_spread });
        }
        let (Some(median), Some(mad), 3..) = (median(values), mad(values), values.len()) else {
            return Err(OutlierError::TooFew { found: values.len() });
        };
        let spread = mad.max(least_spread);
        Ok(Self { median, spread, scores: values.iter().map(|value| (value - median) / spread).collect() })
    }

    /// The places of those whose score lies beyond ± `threshold`, see [`CUSTOMARY_SCORE`].
    pub(crate) fn odd(&self, threshold: f64) -> Vec<usize> {
        (0..self.scores.len()).filter(|place| self.scores[*place].abs() > threshold).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::{checks::near, normal::normal_cdf};
    use proptest::prelude::*;

    fn odd(values: &[f64], least_spread: f64) -> Vec<usize> {
        Siblings::compare(values, least_spread).unwrap().odd(CUSTOMARY_SCORE)
    }

    #[test]
    fn the_factor_is_the_quartile_of_the_normal_distribution() {
        near(normal_cdf(1.0 / MAD_TO_DEVIATION), 0.75, 1e-14);
        // The printed form of the score, 0.6745 (x - median)/MAD, has the same factor rounded.
        near(1.0 / MAD_TO_DEVIATION, 0.6745, 5e-5);
    }

    #[test]
    fn the_middle_of_odd_and_even_counts() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!((median(&[]), mad(&[])), (None, None));
        // Hand-worked: median 2, distances 1 1 0 0 2 4 7, their median 1.
        near(mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap(), 1.4826, 5e-6);
    }

    #[test]
    fn one_coil_of_eight_is_odd() {
        let ohms = [6.2, 6.3, 6.1, 6.2, 9.4, 6.3, 6.2, 6.1];
        let siblings = Siblings::compare(&ohms, 0.001).unwrap();
        // Hand-worked: median 6.2, MAD 0.1, score 3.2/0.14826.
        near(siblings.scores[4], 21.584, 5e-4);
        assert_eq!(siblings.odd(CUSTOMARY_SCORE), [4]);
    }

    #[test]
    fn three_values_suffice() {
        assert_eq!(odd(&[6.2, 6.3, 9.4], 0.2), [2]);
        assert_eq!(odd(&[2.1, 6.3, 6.2], 0.2), [0]);
        // Two against one by a hair: healthy.
        assert_eq!(odd(&[6.20, 6.21, 6.50], 0.2), [0_usize; 0]);
        // No majority: nobody is odd.
        assert_eq!(odd(&[3.0, 6.2, 9.4], 0.2), [0_usize; 0]);
    }

    #[test]
    fn a_mad_of_zero_leaves_the_least_spread() {
        assert_eq!(odd(&[6.2, 6.2, 6.3], 0.1), [0_usize; 0]);
        assert_eq!(odd(&[6.2, 6.2, 9.4], 0.1), [2]);
        assert_eq!(odd(&[6.2, 6.2, 6.2], 0.1), [0_usize; 0]);
        assert_eq!(Siblings::compare(&[6.2, 6.2, 9.4], 0.1).unwrap().spread, 0.1);
    }

    #[test]
    fn what_cannot_be_compared_is_reported() {
        assert_eq!(Siblings::compare(&[6.2, 9.4], 0.1), Err(OutlierError::TooFew { found: 2 }));
        assert_eq!(Siblings::compare(&[], 0.1), Err(OutlierError::TooFew { found: 0 }));
        assert_eq!(Siblings::compare(&[1.0; 3], 0.0), Err(OutlierError::LeastSpread { found: 0.0 }));
        assert!(Siblings::compare(&[1.0; 3], f64::NAN).is_err());
    }

    proptest! {
        #[test]
        fn the_one_far_off_is_always_found(
            healthy in proptest::collection::vec(-1.0..1.0_f64, 2..12), place in 0..13_usize, off in 8.0..100.0_f64,
        ) {
            let mut ohms: Vec<f64> = healthy.iter().map(|spread| 6.2 + 0.1 * spread).collect();
            let place = place.min(ohms.len());
            ohms.insert(place, 6.2 + 0.2 * off);
            prop_assert_eq!(odd(&ohms, 0.1), [place]);
        }
    }
}
