//! Whole numbers of the files that people write, within bounds that their types say.

use serde::Deserialize;

/// A whole number from `LEAST` to `MOST`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
pub(crate) struct WholeNumber<const LEAST: usize, const MOST: usize>(usize);

impl<const LEAST: usize, const MOST: usize> WholeNumber<LEAST, MOST> {
    /// One that the program gives itself; what is out of bounds becomes the nearest that is not.
    pub(crate) const fn nearest(number: usize) -> Self {
        Self(if number < LEAST {
            LEAST
        } else if number > MOST {
            MOST
        } else {
            number
        })
    }

    /// The number.
    pub(crate) const fn get(self) -> usize {
        self.0
    }
}

impl<const LEAST: usize, const MOST: usize> TryFrom<i64> for WholeNumber<LEAST, MOST> {
    type Error = WholeNumberError;

    fn try_from(found: i64) -> Result<Self, WholeNumberError> {
        let number = usize::try_from(found).ok().filter(|number| (LEAST..=MOST).contains(number));
        number.map(Self).ok_or(WholeNumberError { found, least: LEAST, most: MOST })
    }
}

/// One of `COUNT` places. Files count from 1, this counts from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(try_from = "i64")]
pub(crate) struct Index<const COUNT: usize>(pub usize);

impl<const COUNT: usize> TryFrom<i64> for Index<COUNT> {
    type Error = WholeNumberError;

    fn try_from(from_one: i64) -> Result<Self, WholeNumberError> {
        let index = usize::try_from(from_one).ok().and_then(|at| at.checked_sub(1)).filter(|at| *at < COUNT);
        index.map(Self).ok_or(WholeNumberError { found: from_one, least: 1, most: COUNT })
    }
}

/// A number out of its bounds.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found {found}, expected a whole number from {least} to {most}")]
pub(crate) struct WholeNumberError {
    /// What was written.
    pub found: i64,
    /// The least that is taken.
    pub least: usize,
    /// The greatest that is taken.
    pub most: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_out_of_its_bounds_is_refused_with_them() {
        type Bits = WholeNumber<1, 8>;
        for good in [1, 8] {
            assert_eq!(Bits::try_from(good).unwrap().get() as i64, good);
        }
        for wrong in [0, 9, -1, i64::MIN, i64::MAX] {
            let error = Bits::try_from(wrong).unwrap_err();
            assert_eq!(error.to_string(), format!("found {wrong}, expected a whole number from 1 to 8"));
        }
        assert_eq!([0, 5, 99].map(|number| Bits::nearest(number).get()), [1, 5, 8]);
    }

    #[test]
    fn files_count_from_one() {
        assert_eq!(Index::<3>::try_from(1), Ok(Index(0)));
        assert_eq!(Index::<3>::try_from(3), Ok(Index(2)));
        for wrong in [0, 4, -1, i64::MAX] {
            assert!(Index::<3>::try_from(wrong).is_err(), "{wrong}");
        }
    }
}
