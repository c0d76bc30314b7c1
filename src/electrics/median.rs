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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_is_not_moved_by_one_bad_value() {
        assert_eq!(median(&[6.2, 9.4, 6.1]), Some(6.2));
        assert_eq!(median(&[1.0, 2.0, 4.0, 90.0]), Some(3.0));
        assert_eq!(median(&[]), None);
    }
}
