//! The words of judging.

use super::Settled;
use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    protocol::Value,
    units::{Limit, Quantity},
};

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

    /// Its number in the database.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// Back from its number.
    pub fn from_code(code: i64) -> Option<Self> {
        usize::try_from(code).ok().and_then(|index| Self::ALL.get(index)).copied()
    }
}

/// A verdict with everything that defends it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// What is said; none where there is no limit and the value is only recorded.
    pub verdict: Option<Verdict>,
    /// The value that was judged; none where there was none.
    pub value: Option<Value>,
    /// What the meter showed, where the judged value is that corrected for heat.
    pub measured: Option<f64>,
    /// What it measures.
    pub quantity: Option<Quantity>,
    /// Its standard uncertainty, base units of the quantity; none where nothing is known of it.
    pub u: Option<f64>,
    /// What it was judged against.
    pub limit: Option<Limit>,
    /// Probability that the true value keeps to the limit (JCGM 106:2012); none without a limit or an uncertainty.
    pub conformity: Option<f64>,
    /// One sentence.
    pub reason: String,
}

impl Judgement {
    /// Of a value that there is no limit for.
    pub fn recorded(sample: &Sample) -> Self {
        Self {
            verdict: None,
            value: Some(sample.value),
            measured: None,
            quantity: Some(sample.quantity),
            u: sample.u,
            limit: None,
            conformity: None,
            reason: "recorded, there is no limit to judge it by".to_owned(),
        }
    }
}

/// How a value came to be captured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By the operator's word.
    Taken,
    /// By itself, when the reading was steady.
    Steady,
    /// As the step was left, since nothing had been taken: the last reading.
    Last,
    /// The worst of the whole step.
    Worst,
}

impl How {
    /// How it is said.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Taken => "taken",
            Self::Steady => "steady",
            Self::Last => "last",
            Self::Worst => "worst",
        }
    }
}

/// The value that a step is judged on.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// How it was chosen.
    pub how: How,
    /// When the value was measured.
    pub at: Mono,
    /// Where; none where nothing was measured at all.
    pub channel: Option<ChannelId>,
    /// What it says.
    pub judgement: Judgement,
    /// The window it is the mean of; none for a single reading.
    pub settled: Option<Settled>,
    /// The worst while the leads touched under load, what came before it had settled included.
    pub peak: Option<Value>,
}
