//! The middle of several values: one bad part among three must not shift the value that all are compared with.

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

/// 1/Φ⁻¹(3/4): makes the MAD of normal values estimate their standard deviation (Rousseeuw and Croux, J. Am. Stat. Assoc. 88,
/// 1993, 1273, from memory).
const MAD_TO_DEVIATION: f64 = 1.482602218505602;

/// The median absolute deviation from the median, scaled to a standard deviation; `None` without values.
pub(crate) fn mad(values: &[f64]) -> Option<f64> {
    let middle = median(values)?;
    let distances: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    median(&distances).map(|mad| mad * MAD_TO_DEVIATION)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_is_not_moved_by_one_bad_value() {
        assert_eq!(median(&[6.2, 9.4, 6.1]), Some(6.2));
        assert_eq!(median(&[1.0, 2.0, 4.0, 90.0]), Some(3.0));
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn one_odd_value_does_not_widen_the_spread() {
        // Distances from the median 24 are 4, 0 and 16.
        assert_eq!(mad(&[20.0, 24.0, 40.0]), Some(4.0 * MAD_TO_DEVIATION));
        assert_eq!((mad(&[7.0]), mad(&[])), (Some(0.0), None));
    }
}
