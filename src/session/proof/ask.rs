//! A question to the operator, and what answers it.

use super::ProofPattern;

/// A question that is put by voice and on the screen. Readings answer it; a command cuts it short.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// The pattern that asks.
    pub pattern: ProofPattern,
    /// The question.
    pub text: String,
    /// The reading that answers it, in words.
    pub waits_for: String,
    /// Whether a lead is to touch the battery, which needs care.
    pub touches_battery: bool,
}

impl Ask {
    /// What cuts every dialogue short, as the command line and buttons have it.
    pub const ANSWERS: [&'static str; 4] = ["take", "again", "next", "skip"];

    /// How a lead is brought to the battery without harm; said with the first ask of a session that wants it.
    /// Common practice, no source.
    pub(crate) const BATTERY_CAUTION: &'static str =
        "Use a fused lead, at a jump post away from the battery, with the black lead on battery minus.";

    /// A question that no touch of the battery answers.
    pub(super) fn new(pattern: ProofPattern, text: impl Into<String>, waits_for: impl Into<String>) -> Self {
        Self { pattern, text: text.into(), waits_for: waits_for.into(), touches_battery: false }
    }

    /// A question that a touch of the battery answers.
    pub(super) fn at_battery(pattern: ProofPattern, text: impl Into<String>, waits_for: impl Into<String>) -> Self {
        Self { touches_battery: true, ..Self::new(pattern, text, waits_for) }
    }
}
