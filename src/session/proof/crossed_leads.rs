//! A feed that reads negative: the red and the black lead are exchanged. It is never a value.

use super::{Ask, LeadFacts, ProofPattern, Response, held::Held, response::LeadReading};
use crate::procedure::ProofRules;

/// Watches a step on a feed.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct CrossedLeads {
    negative: Held,
    asked: bool,
}

impl CrossedLeads {
    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, facts: &LeadFacts) -> Response {
        let is_negative = reading.number().is_some_and(|volts| volts <= -rules.nothing_below);
        let lasts = self.negative.lasts(is_negative, reading.at(), rules.battery_for);
        if !is_negative {
            self.asked = false;
            return Response::Pass;
        }
        if !lasts || std::mem::replace(&mut self.asked, true) {
            return Response::Hold;
        }
        let waits_for = facts.supply(reading.at()).map_or("the same volts with a plus sign".to_owned(), |supply| {
            format!("volts with a plus sign, {supply:.1} V where the feed is good")
        });
        Response::Ask(Ask::new(ProofPattern::CrossedLeads, "Leads crossed, swap them.", waits_for))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{judge::tests::volts, proof::step_proof::tests::reading};

    #[test]
    fn it_is_asked_once_each_time_and_nothing_passes() {
        let (rules, facts) = (ProofRules::default(), LeadFacts::default());
        let mut crossed = CrossedLeads::default();
        let mut asked = 0;
        let mut show =
            |at_ms: i64, value: f64| match crossed.sample(&rules, &reading(&volts(at_ms * 1000, value)), &facts) {
                Response::Pass => true,
                Response::Ask(_) => {
                    asked += 1;
                    false
                }
                _ => false,
            };
        assert!((0..30).all(|index| !show(index * 100, -12.6)));
        assert!((30..40).all(|index| show(index * 100, 0.01)));
        assert!((40..70).all(|index| !show(index * 100, -12.6)));
        assert!((70..90).all(|index| show(index * 100, 12.6)));
        assert_eq!(asked, 2);
    }
}
