//! The verdict on a value: its words and its numbers.

use crate::electrics::Decision;
use crate::words::words;
use strum::{EnumMessage, VariantArray};

/// How a value keeps to its limit, or why that is not known. The numbers are stored: never renumber.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
#[repr(u8)]
pub enum Verdict {
    /// The value keeps to the limit, uncertainty included.
    #[strum(serialize = "in limit", serialize = "within")]
    InLimit = 0,
    /// The value breaks the limit, uncertainty included.
    #[strum(serialize = "out of limit", serialize = "outside")]
    OutOfLimit = 1,
    /// The limit lies inside the uncertainty of the value.
    #[strum(serialize = "too close to call")]
    TooCloseToCall = 2,
    /// The circuit did not carry the load under which the value counts.
    #[strum(serialize = "no load current", serialize = "not loaded")]
    NoLoadCurrent = 3,
    /// The value was still moving.
    #[strum(serialize = "not settled")]
    NotSettled = 4,
    /// The meter was switched to another function.
    #[strum(serialize = "wrong function")]
    WrongFunction = 5,
    /// The display was held: the value is old.
    #[strum(serialize = "held display")]
    HeldDisplay = 6,
    /// Nothing was measured.
    #[strum(serialize = "no reading")]
    NoReading = 7,
    /// The limit refers to a value that is not there.
    #[strum(serialize = "no reference")]
    NoReference = 8,
}

words!(pub Verdict);

impl Verdict {
    /// How it keeps to the limit, or why it was not held against one.
    pub(super) const fn parts(self) -> Result<Decision, NotJudged> {
        match self {
            Self::InLimit => Ok(Decision::Within),
            Self::OutOfLimit => Ok(Decision::Outside),
            Self::TooCloseToCall => Ok(Decision::TooClose),
            Self::NoLoadCurrent => Err(NotJudged::NoLoadCurrent),
            Self::NotSettled => Err(NotJudged::NotSettled),
            Self::WrongFunction => Err(NotJudged::WrongFunction),
            Self::HeldDisplay => Err(NotJudged::HeldDisplay),
            Self::NoReading => Err(NotJudged::NoReading),
            Self::NoReference => Err(NotJudged::NoReference),
        }
    }

    /// Its number in the database.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// The verdict of a number.
    pub fn from_code(code: i64) -> Option<Self> {
        usize::try_from(code).ok().and_then(|index| Self::VARIANTS.get(index)).copied()
    }
}

impl From<Decision> for Verdict {
    fn from(decision: Decision) -> Self {
        match decision {
            Decision::Within => Self::InLimit,
            Decision::Outside => Self::OutOfLimit,
            Decision::TooClose => Self::TooCloseToCall,
        }
    }
}

/// Why a value was not held against its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotJudged {
    /// The circuit did not carry the load under which the value counts.
    NoLoadCurrent,
    /// The value was still moving.
    NotSettled,
    /// The meter was switched to another function.
    WrongFunction,
    /// The display was held: the value is old.
    HeldDisplay,
    /// Nothing was measured.
    NoReading,
    /// The limit refers to a value that is not there.
    NoReference,
}

impl From<NotJudged> for Verdict {
    fn from(why: NotJudged) -> Self {
        match why {
            NotJudged::NoLoadCurrent => Self::NoLoadCurrent,
            NotJudged::NotSettled => Self::NotSettled,
            NotJudged::WrongFunction => Self::WrongFunction,
            NotJudged::HeldDisplay => Self::HeldDisplay,
            NotJudged::NoReading => Self::NoReading,
            NotJudged::NoReference => Self::NoReference,
        }
    }
}
