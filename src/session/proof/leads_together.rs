//! Leads together first, as everyone does before ohms: their resistance is taken off and is never a coil's value.
//!
//! A coil that reads the same after the leads were apart is shorted, or they touch each other again: lifting and touching
//! once more tells (common practice, no source).

use super::{
    Ask, LeadFacts, Proof, ProofPattern, ProvenValue, Response, Touch, TouchPlace, held::Held, response::LeadReading,
};
use crate::{
    channel::Sample,
    electrics::{RunningStatistics, Uncertain},
    procedure::ProofRules,
    protocol::Value,
    units::spoken,
};

/// A coil has at least so many times the resistance of the leads.
const COIL_SHARE: f64 = 0.1;

/// Leads that touch each other, and what they show.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct LeadContactOhms {
    low: Held,
    readings: RunningStatistics,
}

impl LeadContactOhms {
    /// One more reading: the leads' resistance with its uncertainty, once they have touched each other for long enough.
    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, least: Option<f64>) -> LeadState {
        let ohms = reading.number().filter(|ohms| is_low(*ohms, rules, least));
        let Some(ohms) = ohms else {
            self.readings = RunningStatistics::default();
            self.low.clear();
            return LeadState::Apart;
        };
        self.readings.push(ohms);
        if !self.low.lasts(true, reading.at(), rules.leads_for) {
            return LeadState::Touching;
        }
        let repeatability = self.readings.deviation().unwrap_or(0.0) / (self.readings.count() as f64).sqrt();
        let mean = self.readings.mean().unwrap_or(ohms);
        LeadState::Together(Uncertain::new(mean, reading.sample.u.unwrap_or(0.0).hypot(repeatability)))
    }
}

/// Whether the leads touch each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum LeadState {
    /// They do not.
    Apart,
    /// They do, or a coil is shorted; not long enough to say.
    Touching,
    /// They do, and have this resistance, ohm.
    Together(Uncertain),
}

/// Whether ohms are less than any coil of the step can have.
pub(super) fn is_low(ohms: f64, rules: &ProofRules, least: Option<f64>) -> bool {
    ohms.abs() <= rules.leads_at_most && least.is_some_and(|least| ohms.abs() < COIL_SHARE * least)
}

/// The state machine of one step on a coil's ohms.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct LeadsTogether {
    ohms: LeadContactOhms,
    /// How often the leads have read low, with an open reading in between.
    lows: u32,
    /// This contact was counted.
    counted: bool,
    touches: Vec<Touch>,
}

impl LeadsTogether {
    pub(super) fn sample(
        &mut self,
        rules: &ProofRules,
        reading: &LeadReading,
        least: Option<f64>,
        facts: &mut LeadFacts,
    ) -> Response {
        let leads = match self.ohms.sample(rules, reading, least) {
            LeadState::Apart => {
                self.counted = false;
                return Response::Pass;
            }
            LeadState::Touching => return Response::Hold,
            LeadState::Together(_) if self.counted => return Response::Hold,
            LeadState::Together(leads) => leads,
        };
        self.counted = true;
        self.lows += 1;
        let place = if self.lows == 1 { TouchPlace::EachOther } else { TouchPlace::Point };
        self.touches.push(touch(place, reading.sample, leads.value));
        match self.lows {
            1 => {
                facts.leads_measured(reading.sample.channel, leads);
                Response::Say(format!("Leads, {}, taken off.", spoken(leads.value)))
            }
            2 => {
                let waits_for = "an open reading, then the coil's ohms, or the same again";
                Response::Ask(Ask::new(
                    ProofPattern::ShortedCoil,
                    "Same as the leads: lift and touch again.",
                    waits_for,
                ))
            }
            _ => self.shorted(reading.sample, leads, facts),
        }
    }

    pub(super) fn cut_short(&mut self) {
        self.lows = self.lows.min(1);
        self.touches.clear();
    }

    /// Three times the same, lifted in between: the coil is shorted.
    fn shorted(&mut self, sample: &Sample, ohms: Uncertain, facts: &LeadFacts) -> Response {
        let leads = facts.leads(sample.channel).unwrap_or(Uncertain::exact(0.0));
        let coil = ohms - leads;
        let proof = Proof { pattern: ProofPattern::ShortedCoil, touches: std::mem::take(&mut self.touches) };
        let sample = Sample { value: Value::Number(coil.value), u: Some(coil.u), ..*sample };
        let value = ProvenValue { sample, proof: Some(proof), flags: Vec::new() };
        Response::Proven(Box::new(value), "Coil shorted. Prove it on a sister coil.".to_owned())
    }
}

pub(super) fn touch(place: TouchPlace, sample: &Sample, ohms: f64) -> Touch {
    Touch::of(place, &Sample { value: Value::Number(ohms), ..*sample })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::ChannelId,
        session::{judge::tests::volts, proof::step_proof::tests::reading},
        units::Quantity,
    };

    fn show(leads: &mut LeadsTogether, facts: &mut LeadFacts, from_ms: i64, value: Value) -> Vec<Response> {
        let responses = (0..15).map(|index| {
            let sample =
                Sample { quantity: Quantity::Ohms, value, u: Some(0.03), ..volts((from_ms + index * 100) * 1000, 0.0) };
            leads.sample(&ProofRules::default(), &reading(&sample), Some(6.9), facts)
        });
        responses.filter(|response| *response != Response::Hold).collect()
    }

    #[test]
    fn the_leads_are_taken_off_and_a_shorted_coil_is_told_from_them() {
        let (mut leads, mut facts) = (LeadsTogether::default(), LeadFacts::default());
        let said = show(&mut leads, &mut facts, 0, Value::Number(0.2));
        assert_eq!(said, [Response::Say("Leads, point two, taken off.".to_owned())]);
        let off = facts.leads(ChannelId(0)).unwrap();
        assert!((off.value - 0.2).abs() < 1e-12 && (off.u - 0.03).abs() < 1e-9, "{off:?}");
        assert_eq!(show(&mut leads, &mut facts, 2000, Value::Over).len(), 15);
        assert!(
            matches!(&show(&mut leads, &mut facts, 4000, Value::Number(0.21))[..], [Response::Ask(ask)] if ask.text.starts_with("Same as the leads"))
        );
        show(&mut leads, &mut facts, 6000, Value::Over);
        let said = show(&mut leads, &mut facts, 8000, Value::Number(0.21));
        let [Response::Proven(value, text)] = &said[..] else { panic!("{said:?}") };
        assert_eq!(text, "Coil shorted. Prove it on a sister coil.");
        // 0.21 - 0.20 ohm; both readings' uncertainties in quadrature (JCGM 100:2008, 5.1.2).
        assert!(matches!(value.sample.value, Value::Number(ohms) if (ohms - 0.01).abs() < 1e-9), "{value:?}");
        assert!((value.sample.u.unwrap() - 0.03f64.hypot(0.03)).abs() < 1e-9);
    }

    #[test]
    fn a_coil_of_few_ohms_is_no_lead() {
        let rules = ProofRules::default();
        assert!(is_low(0.3, &rules, Some(6.9)) && !is_low(0.6, &rules, Some(6.9)));
        assert!(!is_low(0.3, &rules, Some(2.0)) && !is_low(0.3, &rules, None));
    }
}
