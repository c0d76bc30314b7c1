//! What the last digit of a bare whole number is worth: 1 where a board counts in whole numbers, unknown where it only left out
//! the decimals of a round value. One `0` proves neither.

/// So many whole numbers in a row, not all the same and none with decimals, are a board that counts.
const LEAST_NUMBERS: u32 = 8;

/// The bare numbers so far, by the number of their name.
#[derive(Debug, Default)]
pub(in crate::protocol) struct WholeNumbers(Vec<BareNumbers>);

/// The bare numbers of one name.
#[derive(Debug, Clone, Copy, Default)]
struct BareNumbers {
    first: f64,
    whole: u32,
    differ: bool,
    had_decimals: bool,
}

impl WholeNumbers {
    /// What the last digit of a bare number is worth, as a power of ten; `decade` is what it would be by the text alone.
    #[inline]
    pub(super) fn decade(&mut self, name: u16, number: f64, decade: Option<i8>) -> Option<i8> {
        let index = usize::from(name);
        if self.0.len() <= index {
            self.0.resize(index + 1, BareNumbers::default());
        }
        let seen = &mut self.0[index];
        match decade {
            Some(0) if !seen.had_decimals => {
                if seen.whole == 0 {
                    seen.first = number;
                }
                seen.differ |= seen.first != number;
                seen.whole = seen.whole.saturating_add(1);
                (seen.differ && seen.whole >= LEAST_NUMBERS).then_some(0)
            }
            Some(0) => None,
            decade => {
                seen.had_decimals |= decade.is_some_and(|decade| decade < 0);
                decade
            }
        }
    }

    /// The port went away: another board may come.
    pub(in crate::protocol) fn reset(&mut self) {
        self.0.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(numbers: &[(f64, Option<i8>)]) -> Vec<Option<i8>> {
        let mut whole = WholeNumbers::default();
        numbers.iter().map(|(number, decade)| whole.decade(1, *number, *decade)).collect()
    }

    #[test]
    fn a_board_that_counts_is_known_by_several_numbers() {
        // One bare 0 behind a clamp of 10 A/V was taken for steps of 10 A.
        assert_eq!(places(&[(0.0, Some(0)); 20]), [None; 20]);
        let counts: Vec<_> = (0..9).map(|count| (f64::from(500 + count), Some(0))).collect();
        assert_eq!(places(&counts)[6..], [None, Some(0), Some(0)]);
        assert_eq!(places(&[(0.5, Some(-1)), (0.0, Some(0)), (0.25, Some(-2))]), [Some(-1), None, Some(-2)]);
    }
}
