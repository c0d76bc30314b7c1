//! A finding: what is wrong, where, with which confidence, and what to measure next.

use std::fmt;

use crate::session::word_table::word_table;

/// What is wrong. The words are stored: a changed one needs a migration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FindingKind {
    /// All that was measured fits good parts.
    Healthy,
    /// The current's path is broken.
    OpenCircuit,
    /// A coil has far too few ohms.
    ShortedCoil,
    /// A coil has too many ohms, or somewhat too few.
    CoilOutOfTolerance,
    /// A coil is in limit and still differs from the others.
    UnlikeSiblings,
    /// The ohms are those of warm coils: nothing wrong.
    WarmCoils,
    /// Resistance under load between the supply and the coil.
    FeedResistance,
    /// Resistance under load between the coil and the ground.
    GroundResistance,
    /// Resistance under load in a pin of the coil's connector.
    ConnectorResistance,
    /// Resistance under load where nothing was measured.
    UnplacedResistance,
    /// Resistance in the ground that all share.
    SharedGround,
    /// Resistance in the feed that all share.
    FeedLowEverywhere,
    /// One coil gets too few volts, even without load.
    FeedLowInBranch,
    /// A wire touches one that is always live.
    ShortToFeed,
    /// A wire touches the machine's frame.
    ShortToGround,
    /// Two circuits are exchanged.
    SwappedTerminals,
    /// Something beside the coil carries current.
    ParallelPath,
    /// The battery or supply itself.
    WeakSupply,
    /// Values that contradict each other whatever is wrong.
    Contradiction,
    /// Too little was measured to say more.
    NotEnough,
}

word_table!(FindingKind:
    Healthy = "no fault found" | "nothing wrong",
    OpenCircuit = "open circuit",
    ShortedCoil = "shorted coil",
    CoilOutOfTolerance = "coil out of tolerance",
    UnlikeSiblings = "differs from the other coils" | "unlike its siblings",
    WarmCoils = "warm coils",
    FeedResistance = "high resistance, feed side" | "resistance on the feed side",
    GroundResistance = "high resistance, ground side" | "resistance on the ground side",
    ConnectorResistance = "high resistance, connector" | "resistance in the connector",
    UnplacedResistance = "high resistance, place unknown" | "resistance not placed",
    SharedGround = "high resistance, shared ground" | "shared ground",
    FeedLowEverywhere = "low feed on all circuits" | "feed low everywhere",
    FeedLowInBranch = "low feed on one circuit" | "feed low in one branch",
    ShortToFeed = "short to power" | "short to feed",
    ShortToGround = "short to ground",
    SwappedTerminals = "swapped terminals",
    ParallelPath = "parallel path",
    WeakSupply = "weak supply",
    Contradiction = "contradictory readings" | "readings contradict",
    NotEnough = "too little measured" | "not enough measured",
);

impl FindingKind {
    /// Whether it tells of something to repair.
    pub const fn is_fault(self) -> bool {
        !matches!(self, Self::Healthy | Self::WarmCoils | Self::Contradiction | Self::NotEnough)
    }
}

/// How sure a finding is, in words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ConfidenceLevel {
    /// Something else explains it nearly as well.
    Possible,
    /// Better than anything else by far.
    Likely,
    /// Nothing else that is known here explains it.
    Certain,
}

word_table!(ConfidenceLevel:
    Certain = "certain",
    Likely = "likely",
    Possible = "possible",
);

/// The confidence in a finding: a word, and the figures behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Confidence {
    /// In a word.
    pub level: ConfidenceLevel,
    /// Its weight among all explanations that were tried, 0 to 1.
    pub weight: f64,
    /// By how many standard deviations the captures speak for it against its absence.
    pub z: f64,
}

impl Confidence {
    /// A weight of 99 % with more than four deviations is certain, 80 % with more than three likely.
    pub fn new(weight: f64, z: f64) -> Self {
        let level = match (weight, z) {
            (weight, z) if weight >= 0.99 && z >= 4.0 => ConfidenceLevel::Certain,
            (weight, z) if weight >= 0.8 && z >= 3.0 => ConfidenceLevel::Likely,
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
    fn the_word_needs_both_weight_and_deviations() {
        for (weight, z, text) in [
            (0.999, 25.0, "certain, 99 %"),
            (0.999, 3.5, "likely, 99 %"),
            (0.85, 9.0, "likely, 85 %"),
            (0.5, 30.0, "possible, 50 %"),
            (0.9, 0.0, "possible, 90 %"),
        ] {
            assert_eq!(Confidence::new(weight, z).to_string(), text);
        }
    }
}
