//! What the leads have proven, kept beside the capture.

use crate::{
    channel::Sample,
    clock::Mono,
    protocol::Value,
    units::{Quantity, ValueFormat, show_seconds},
    words::words,
};
use strum::{EnumMessage, VariantArray};

/// The touches that prove a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// By which pattern.
    pub pattern: ProofPattern,
    /// In the order of time.
    pub touches: Vec<Touch>,
}

/// What was read while the leads touched one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Touch {
    /// Where.
    pub place: TouchPlace,
    /// What was read there.
    pub value: Value,
    /// What that measures.
    pub quantity: Quantity,
    /// What its last digit is worth, base units; none where that is not known.
    pub digit: Option<f64>,
    /// When it was read last.
    pub at: Mono,
}

/// A pattern of touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum ProofPattern {
    /// A feed that reads nothing, proven by battery plus before and after.
    #[strum(serialize = "dead terminal")]
    DeadTerminal,
    /// The red and the black lead are exchanged.
    #[strum(serialize = "crossed leads")]
    CrossedLeads,
    /// The red lead is in the amps jack.
    #[strum(serialize = "wrong jack")]
    WrongJack,
    /// Leads that touch each other before ohms are measured.
    #[strum(serialize = "leads together")]
    LeadsTogether,
    /// A coil that reads open, proven by the leads on each other in between.
    #[strum(serialize = "open coil")]
    OpenCoil,
    /// A coil that reads like the leads on each other.
    #[strum(serialize = "shorted coil")]
    ShortedCoil,
    /// A drop that fell to nothing while the load stayed.
    #[strum(serialize = "slipped lead")]
    SlippedLead,
    /// A drop of nothing under load.
    #[strum(serialize = "zero drop")]
    ZeroDrop,
    /// Volts between dead and live that drift.
    #[strum(serialize = "ghost volts")]
    GhostVolts,
    /// A display that does not follow.
    #[strum(serialize = "held display")]
    HeldDisplay,
}

words!(pub ProofPattern);

/// A place that the leads touched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TouchPlace {
    /// The point that the step measures.
    Point,
    /// The battery, between plus and minus.
    Battery,
    /// Each other.
    EachOther,
}

impl Touch {
    /// What a sample shows at a place.
    pub(super) fn of(place: TouchPlace, sample: &Sample) -> Self {
        let Sample { value, quantity, digit, at, .. } = *sample;
        Self { place, value, quantity, digit, at }
    }
}

impl TouchPlace {
    /// The place in words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Point => "measuring point",
            Self::Battery => "battery",
            Self::EachOther => "leads together",
        }
    }
}

/// What is to be known about a captured value beside its verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum CaptureFlag {
    /// The clamp was on backward: its current counts as positive.
    #[strum(serialize = "reversed clamp")]
    ReversedClamp,
    /// The drop from before the lead slipped, not proven since.
    #[strum(serialize = "unproven plateau")]
    UnprovenPlateau,
    /// A drop of nothing under load, which a lead that is off would show too.
    #[strum(serialize = "doubted zero drop")]
    DoubtedZeroDrop,
    /// Volts that no load has proven.
    #[strum(serialize = "ghost volts")]
    GhostVolts,
    /// A dead feed or an open coil, which a lead that touches nothing would show too.
    #[strum(serialize = "not proven")]
    NotProven,
    /// It was declared void later.
    #[strum(serialize = "void")]
    Void,
}

words!(pub CaptureFlag);

impl Proof {
    /// The pattern and its touches, a line each; times are counted from the capture, which was at `captured`.
    pub fn lines(&self, captured: Mono) -> Vec<String> {
        let touches = self.touches.iter().map(|touch| {
            let shown = touch.value.shown(ValueFormat::new(touch.quantity, touch.digit, None));
            let seconds = captured.since(touch.at) as f64 / 1e6;
            let when = match seconds {
                0.05.. => format!("{} before", show_seconds(seconds)),
                ..-0.05 => format!("{} after", show_seconds(-seconds)),
                _ => "at the capture".to_owned(),
            };
            format!("{} {shown}, {when}", touch.place.word())
        });
        [format!("proven: {}", self.pattern.word())].into_iter().chain(touches).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_proof_is_written_a_touch_a_line() {
        let touch =
            |place, value, at| Touch { place, value, quantity: Quantity::VoltsDc, digit: Some(0.001), at: Mono(at) };
        let proof = Proof {
            pattern: ProofPattern::DeadTerminal,
            touches: vec![
                touch(TouchPlace::Battery, Value::Number(12.61), 1_000_000),
                touch(TouchPlace::Point, Value::Number(0.002), 5_200_000),
                touch(TouchPlace::Battery, Value::Over, 7_200_000),
            ],
        };
        assert_eq!(
            proof.lines(Mono(5_200_000)),
            [
                "proven: dead terminal",
                "battery 12.610 V, 4.2 s before",
                "measuring point 0.002 V, at the capture",
                "battery OL, 2.0 s after"
            ]
        );
    }
}
