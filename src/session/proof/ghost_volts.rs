//! Volts between dead and live that drift: a wire that floats picks them up. They are no value until a load has proven them.
//!
//! The load is one that the procedure allows, never a lamp on a module's output.

use super::{Ask, LeadFacts, ProofPattern, Response, response::LeadReading};
use crate::{
    clock::{Mono, micros},
    procedure::ProofRules,
};

/// Below this share of the supply a feed is dead, above the other one live: common practice, no source.
const BETWEEN: std::ops::Range<f64> = 0.08..0.8;

/// Volts that stay within so many of the last digits, or within this share of themselves, are still.
const DIGITS: f64 = 3.0;
const SHARE: f64 = 0.01;

/// So many moves while the leads touch are a drift.
const MOVES: u32 = 2;

/// Watches a step on a feed.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct GhostVolts {
    began: Option<Mono>,
    /// The volts from which a move is measured, and since when they have been there.
    anchor: Option<(f64, Mono)>,
    moves: u32,
    asked: bool,
}

impl GhostVolts {
    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, facts: &LeadFacts) -> Response {
        let at = reading.at();
        let supply = facts.supply(at).filter(|_| reading.loaded != Some(true));
        let volts = reading.number().zip(supply).filter(|(volts, supply)| BETWEEN.contains(&(volts / supply)));
        let Some((volts, _)) = volts else {
            *self = Self::default();
            return Response::Pass;
        };
        let began = *self.began.get_or_insert(at);
        let (anchor, since) = *self.anchor.get_or_insert((volts, at));
        let still = (DIGITS * reading.sample.digit.unwrap_or(0.0)).max(SHARE * volts);
        if (volts - anchor).abs() > still {
            self.anchor = Some((volts, at));
            self.moves += 1;
        } else if at.since(since) >= micros(rules.ghost_for) {
            self.moves = 0;
        }
        if self.moves == 0 {
            // A low feed that stays is a value, as far as it is steady.
            return Response::Pass;
        }
        let is_drift = self.is_ghost() && at.since(began) >= micros(rules.ghost_for);
        if !is_drift || std::mem::replace(&mut self.asked, true) {
            return Response::Hold;
        }
        let text = "Ghost volts: load it as the procedure allows.";
        Response::Ask(Ask::new(ProofPattern::GhostVolts, text, "volts that stay, or none, under a load"))
    }

    /// Whether the present volts drift.
    pub(super) fn is_ghost(&self) -> bool {
        self.moves >= MOVES
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{judge::tests::volts, proof::step_proof::tests::reading};

    fn passed(values: impl IntoIterator<Item = f64>) -> (usize, Vec<String>, bool) {
        let mut facts = LeadFacts::default();
        facts.feed_captured(12.6);
        let mut ghost = GhostVolts::default();
        let (mut passed, mut said) = (0, Vec::new());
        for (index, value) in (0..).zip(values) {
            match ghost.sample(&ProofRules::default(), &reading(&volts(index * 100_000, value)), &facts) {
                Response::Pass => passed += 1,
                Response::Ask(ask) => said.push(ask.text),
                _ => {}
            }
        }
        (passed, said, ghost.is_ghost())
    }

    #[test]
    fn a_drift_is_no_value_and_a_low_feed_that_stays_is_one() {
        let (count, said, is_ghost) = passed((0..80).map(|index| 4.0 + 0.03 * f64::from(index)));
        assert!(count <= 2 && is_ghost, "{count}");
        assert_eq!(said, ["Ghost volts: load it as the procedure allows."]);
        let (count, said, is_ghost) = passed([9.2; 50]);
        assert!(count == 50 && said.is_empty() && !is_ghost, "{count}");
        assert_eq!(passed([12.4; 50]).0, 50);
        assert_eq!(passed([0.4; 50]).0, 50);
    }
}
