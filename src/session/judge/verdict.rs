//! The words for what is said of a value, one table for screens, files and the database.

use crate::electrics::Decision;

/// What is said of a value, or why nothing can be said. The numbers are stored: never renumber.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Verdict {
    /// Keeps to the limit, the uncertainty counted in.
    Within = 0,
    /// Breaks the limit, the uncertainty counted in.
    Outside = 1,
    /// The limit lies inside the uncertainty of the value.
    TooCloseToCall = 2,
    /// The circuit did not carry the load under which the value counts.
    NotLoaded = 3,
    /// The value was still moving.
    NotSettled = 4,
    /// The meter stood on another function.
    WrongFunction = 5,
    /// The display was held: the value is old.
    HeldDisplay = 6,
    /// Nothing was measured.
    NoReading = 7,
}

impl Verdict {
    /// All of them, in the order of their numbers.
    pub const ALL: [Self; 8] = [
        Self::Within,
        Self::Outside,
        Self::TooCloseToCall,
        Self::NotLoaded,
        Self::NotSettled,
        Self::WrongFunction,
        Self::HeldDisplay,
        Self::NoReading,
    ];

    /// How it is said on screens, in exports and in the database.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Outside => "outside",
            Self::TooCloseToCall => "too close to call",
            Self::NotLoaded => "not loaded",
            Self::NotSettled => "not settled",
            Self::WrongFunction => "wrong function",
            Self::HeldDisplay => "held display",
            Self::NoReading => "no reading",
        }
    }

    /// The verdict of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|verdict| verdict.word() == word)
    }

    /// How it keeps to the limit, or why it was not held against one.
    pub(super) const fn parts(self) -> Result<Decision, NotJudged> {
        match self {
            Self::Within => Ok(Decision::Within),
            Self::Outside => Ok(Decision::Outside),
            Self::TooCloseToCall => Ok(Decision::TooClose),
            Self::NotLoaded => Err(NotJudged::NotLoaded),
            Self::NotSettled => Err(NotJudged::NotSettled),
            Self::WrongFunction => Err(NotJudged::WrongFunction),
            Self::HeldDisplay => Err(NotJudged::HeldDisplay),
            Self::NoReading => Err(NotJudged::NoReading),
        }
    }

    /// Its number in the database.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// Back from its number.
    pub fn from_code(code: i64) -> Option<Self> {
        usize::try_from(code).ok().and_then(|index| Self::ALL.get(index)).copied()
    }
}

impl From<Decision> for Verdict {
    fn from(decision: Decision) -> Self {
        match decision {
            Decision::Within => Self::Within,
            Decision::Outside => Self::Outside,
            Decision::TooClose => Self::TooCloseToCall,
        }
    }
}

/// Why a value was not held against its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotJudged {
    /// The circuit did not carry the load under which the value counts.
    NotLoaded,
    /// The value was still moving.
    NotSettled,
    /// The meter stood on another function.
    WrongFunction,
    /// The display was held: the value is old.
    HeldDisplay,
    /// Nothing was measured.
    NoReading,
}

impl From<NotJudged> for Verdict {
    fn from(why: NotJudged) -> Self {
        match why {
            NotJudged::NotLoaded => Self::NotLoaded,
            NotJudged::NotSettled => Self::NotSettled,
            NotJudged::WrongFunction => Self::WrongFunction,
            NotJudged::HeldDisplay => Self::HeldDisplay,
            NotJudged::NoReading => Self::NoReading,
        }
    }
}
