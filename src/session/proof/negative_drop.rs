//! A drop that reads negative: the leads are exchanged, or the current runs the other way, as where the alternator feeds. It
//! is judged by its magnitude; its sign stays in the record.

use super::{Ask, LeadFacts, ProofPattern, Response, held::Held, response::LeadReading};
use crate::procedure::ProofRules;

/// A drop of less than so many of the last digits may be an offset.
const DIGITS: f64 = 5.0;

/// A drop of less than this may be an offset, V: common practice, no source.
const OFFSET_V: f64 = 0.005;

/// A battery that shows more than this is being charged, V, for 12 and for 24 V: common practice, no source.
const CHARGED_V: [(f64, f64); 2] = [(13.2, 16.0), (26.4, 31.0)];

/// Watches a step on a drop.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct NegativeDrop {
    negative: Held,
    unanswered: Held,
    asked: bool,
    /// It was said, or left unanswered: the value counts as it is.
    settled: bool,
}

impl NegativeDrop {
    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, facts: &LeadFacts) -> Response {
        let least = (DIGITS * reading.sample.digit.unwrap_or(0.0)).max(OFFSET_V);
        let negative = reading.number().filter(|volts| *volts <= -least && reading.loaded != Some(false));
        let lasts = self.negative.lasts(negative.is_some(), reading.at(), rules.battery_for);
        let Some(volts) = negative.filter(|_| !self.settled) else {
            self.asked = false;
            self.unanswered.clear();
            return Response::Pass;
        };
        if !lasts {
            return Response::Hold;
        }
        let charged = facts
            .supply(reading.at())
            .is_some_and(|supply| CHARGED_V.iter().any(|(least, most)| (*least..*most).contains(&supply)));
        let shown = reading.sample.format(None).show(volts);
        if charged {
            self.settled = true;
            return Response::Say(format!("{shown}: the alternator feeds, the current runs the other way."));
        }
        if self.unanswered.lasts(true, reading.at(), rules.answer_for) {
            self.settled = true;
            return Response::Pass;
        }
        if std::mem::replace(&mut self.asked, true) {
            return Response::Hold;
        }
        let waits_for = "the drop with a plus sign; held as it is, it is judged by its size";
        Response::Ask(Ask::new(ProofPattern::CrossedLeads, format!("{shown}: swap the leads."), waits_for))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{judge::tests::volts, proof::step_proof::tests::reading};

    fn announced(facts: &LeadFacts, values: [f64; 50]) -> (Vec<Response>, usize) {
        let mut drop = NegativeDrop::default();
        let all: Vec<Response> = (0..)
            .zip(values)
            .map(|(index, value)| drop.sample(&ProofRules::default(), &reading(&volts(index * 100_000, value)), facts))
            .collect();
        let passed = all.iter().filter(|response| **response == Response::Pass).count();
        (all.into_iter().filter(|response| !matches!(response, Response::Pass | Response::Hold)).collect(), passed)
    }

    #[test]
    fn a_swap_is_asked_for_and_what_stays_counts_by_its_size() {
        let (said_lines, passed) = announced(&LeadFacts::default(), [-0.341; 50]);
        assert!(
            matches!(&said_lines[..], [Response::Ask(ask)] if ask.text == "-0.34 V: swap the leads."),
            "{said_lines:?}"
        );
        assert!(passed > 10);
        let mut facts = LeadFacts::default();
        facts.feed_captured(13.9);
        let (said_lines, passed) = announced(&facts, [-0.341; 50]);
        assert!(matches!(&said_lines[..], [Response::Say(text)] if text.contains("alternator")), "{said_lines:?}");
        assert!(passed > 40);
        assert_eq!(announced(&LeadFacts::default(), [0.341; 50]).1, 50);
    }
}
