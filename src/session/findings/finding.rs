//! A finding: what is wrong, where, with which confidence, and what to measure next.

use std::fmt;
use strum::{EnumMessage, VariantArray};

use crate::words::words;

/// What is wrong. The words are stored: a changed one needs a migration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum FindingKind {
    /// All that was measured fits good parts.
    #[strum(serialize = "no fault found", serialize = "nothing wrong")]
    Healthy,
    /// What was measured fits good parts, and leaves too much open for more.
    #[strum(serialize = "no fault shown")]
    NoFaultShown,
    /// A step is out of its limit, and no fault that is known explains it.
    #[strum(serialize = "out of limit, no fault shown")]
    OutOfLimit,
    /// The current's path is broken.
    #[strum(serialize = "open circuit")]
    OpenCircuit,
    /// A coil has far too few ohms.
    #[strum(serialize = "shorted coil")]
    ShortedCoil,
    /// A coil has too many ohms, or somewhat too few.
    #[strum(serialize = "coil out of tolerance")]
    CoilOutOfTolerance,
    /// A coil is in limit and still differs from the others.
    #[strum(serialize = "differs from the other coils", serialize = "unlike its siblings")]
    UnlikeSiblings,
    /// The ohms are those of warm coils: nothing wrong.
    #[strum(serialize = "warm coils")]
    WarmCoils,
    /// Resistance under load between the supply and the coil.
    #[strum(serialize = "high resistance, feed side", serialize = "resistance on the feed side")]
    FeedResistance,
    /// Resistance under load between the coil and the ground.
    #[strum(serialize = "high resistance, ground side", serialize = "resistance on the ground side")]
    GroundResistance,
    /// Resistance under load in a pin of the coil's connector.
    #[strum(serialize = "high resistance, connector", serialize = "resistance in the connector")]
    ConnectorResistance,
    /// Resistance under load where nothing was measured.
    #[strum(serialize = "high resistance, place unknown", serialize = "resistance not placed")]
    UnplacedResistance,
    /// Resistance in the ground that all share.
    #[strum(serialize = "high resistance, shared ground", serialize = "shared ground")]
    SharedGround,
    /// Resistance in the feed that all share.
    #[strum(serialize = "low feed on all circuits", serialize = "feed low everywhere")]
    FeedLowEverywhere,
    /// One coil gets too few volts, even without load.
    #[strum(serialize = "low feed on one circuit", serialize = "feed low in one branch")]
    FeedLowInBranch,
    /// A wire touches one that is always live.
    #[strum(serialize = "short to power", serialize = "short to feed")]
    ShortToFeed,
    /// A wire touches the machine's frame.
    #[strum(serialize = "short to ground")]
    ShortToGround,
    /// Two circuits are exchanged.
    #[strum(serialize = "swapped terminals")]
    SwappedTerminals,
    /// Something beside the coil carries current.
    #[strum(serialize = "parallel path")]
    ParallelPath,
    /// The battery or supply itself.
    #[strum(serialize = "weak supply")]
    WeakSupply,
    /// Values that contradict each other whatever is wrong.
    #[strum(serialize = "contradictory readings", serialize = "readings contradict")]
    Contradiction,
    /// Too little was measured to say more.
    #[strum(serialize = "too little measured", serialize = "not enough measured")]
    NotEnough,
}

words!(pub FindingKind);

impl FindingKind {
    /// Whether it tells of something to repair.
    pub const fn is_fault(self) -> bool {
        !matches!(
            self,
            Self::Healthy
                | Self::NoFaultShown
                | Self::OutOfLimit
                | Self::WarmCoils
                | Self::Contradiction
                | Self::NotEnough
        )
    }
}

/// How sure a finding is, in words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum ConfidenceLevel {
    /// Something else explains it nearly as well.
    #[strum(serialize = "possible")]
    Possible,
    /// Better than anything else by far.
    #[strum(serialize = "likely")]
    Likely,
    /// Nothing else that is known here explains it.
    #[strum(serialize = "certain")]
    Certain,
}

words!(pub ConfidenceLevel);

/// The confidence in a finding: a word, and the figures behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Confidence {
    /// In a word.
    pub level: ConfidenceLevel,
    /// Its probability among all explanations that were tried, calibrated, 0 to 1.
    pub weight: f64,
    /// By how many standard deviations the captures speak for it against a good machine.
    pub z: f64,
}

impl Confidence {
    /// By the calibrated probability: 99 % is certain, if the fit passes and a capture shows it, and 80 % likely.
    pub fn new(weight: f64, z: f64, may_be_certain: bool) -> Self {
        let level = match weight {
            weight if weight >= 0.99 && may_be_certain => ConfidenceLevel::Certain,
            weight if weight >= 0.8 => ConfidenceLevel::Likely,
            _ => ConfidenceLevel::Possible,
        };
        Self { level, weight, z }
    }

    /// Of a statement that rests on the absence of deviations: never more than likely.
    pub(super) fn from_absence(weight: f64) -> Self {
        Self { level: if weight >= 0.8 { ConfidenceLevel::Likely } else { ConfidenceLevel::Possible }, weight, z: 0.0 }
    }
}

impl fmt::Display for Confidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, {:.0} %", self.level.word(), (100.0 * self.weight).clamp(1.0, 99.0))
    }
}

/// Something else that would explain the captures, or that they can't rule out.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// What.
    pub kind: FindingKind,
    /// Where, as in a [`Finding`].
    pub circuits: Vec<String>,
    /// As a sentence.
    pub sentence: String,
    /// Its weight among all explanations, 0 to 1; none where nothing measured speaks for or against it.
    pub weight: Option<f64>,
}

/// One conclusion from several captures.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What.
    pub kind: FindingKind,
    /// Where: circuits as the procedure names them; empty for what all share.
    pub circuits: Vec<String>,
    /// What is wrong and where, one sentence in the trade's words.
    pub sentence: String,
    /// What speaks for it, with numbers, the strongest first.
    pub evidence: Vec<String>,
    /// How sure.
    pub confidence: Confidence,
    /// What else would explain it, the likeliest first.
    pub alternatives: Vec<Alternative>,
    /// What to measure next, to tell these apart or to come closer.
    pub next: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_word_follows_from_the_probability_and_the_fit() {
        for (weight, passes, text) in [
            (0.999, true, "certain, 99 %"),
            (0.999, false, "likely, 99 %"),
            (0.85, true, "likely, 85 %"),
            (0.5, true, "possible, 50 %"),
        ] {
            assert_eq!(Confidence::new(weight, 9.0, passes).to_string(), text);
        }
    }
}
