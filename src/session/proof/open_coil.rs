//! An open coil reads like leads in the air. It is proven by the leads on each other in between (common practice, no source).

use super::{
    Ask, LeadFacts, Proof, ProofPattern, ProvenValue, Response, Touch, TouchPlace,
    held::{Held, Reminder},
    leads_together::{LeadContactOhms, LeadState, touch},
    response::LeadReading,
};
use crate::{procedure::ProofRules, protocol::Value, units::show_seconds};

/// Each pause before the question is asked again is so many times the one before.
const PAUSES_GROW: u32 = 3;

/// The state machine of one step on a coil's ohms.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct OpenCoil {
    state: OpenCoilState,
    open: Held,
    leads: LeadContactOhms,
    asked: u32,
    reminder: Reminder,
    touches: Vec<Touch>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum OpenCoilState {
    /// Nothing has been asked.
    Watching,
    /// The leads are to touch each other.
    Leads,
    /// Back to the coil.
    Coil,
}

impl OpenCoil {
    pub(super) fn new(rules: &ProofRules) -> Self {
        Self {
            state: OpenCoilState::Watching,
            open: Held::default(),
            leads: LeadContactOhms::default(),
            asked: 0,
            reminder: Reminder::after(rules.open_for * PAUSES_GROW),
            touches: Vec::new(),
        }
    }

    /// A command cut the dialogue short.
    pub(super) fn cut_short(&mut self) {
        self.state = OpenCoilState::Watching;
        self.open.clear();
        self.touches.clear();
    }

    pub(super) fn sample(
        &mut self,
        rules: &ProofRules,
        reading: &LeadReading,
        least: Option<f64>,
        facts: &mut LeadFacts,
    ) -> Response {
        let at = reading.at();
        let is_open = reading.sample.value == Value::Over;
        let growth = if self.state == OpenCoilState::Watching { PAUSES_GROW.saturating_pow(self.asked) } else { 1 };
        let open_lasts = self.open.lasts(is_open, at, rules.open_for * growth);
        if self.state == OpenCoilState::Watching {
            if !open_lasts {
                return Response::Pass;
            }
            self.asked += 1;
            self.state = OpenCoilState::Leads;
            self.reminder.postpone();
            self.touches.push(Touch::of(TouchPlace::Point, reading.sample));
            return Response::Ask(question(rules));
        }
        let leads = self.leads.sample(rules, reading, least);
        if !is_open && leads == LeadState::Apart {
            // The coil's own ohms: it is not open.
            self.cut_short();
            return Response::Pass;
        }
        match (self.state, leads) {
            (OpenCoilState::Leads, LeadState::Together(ohms)) => {
                facts.leads_measured(reading.sample.channel, ohms);
                self.touches.push(touch(TouchPlace::EachOther, reading.sample, ohms.value));
                self.state = OpenCoilState::Coil;
                let waits_for = format!("an open reading for {}", show_seconds(rules.open_for.as_secs_f64()));
                Response::Ask(Ask::new(ProofPattern::OpenCoil, "Leads good. Coil again.", waits_for))
            }
            (OpenCoilState::Leads, _) if is_open && self.reminder.is_due(at) => Response::Ask(question(rules)),
            (OpenCoilState::Coil, _) if open_lasts => {
                let sample = reading.sample;
                self.touches.push(Touch::of(TouchPlace::Point, sample));
                let proof = Proof { pattern: ProofPattern::OpenCoil, touches: std::mem::take(&mut self.touches) };
                self.state = OpenCoilState::Watching;
                let value = ProvenValue { sample: *sample, proof: Some(proof), flags: Vec::new() };
                Response::Proven(Box::new(value), "Coil open, proven.".to_owned())
            }
            _ => Response::Hold,
        }
    }
}

fn question(rules: &ProofRules) -> Ask {
    let waits_for = format!("at most {} ohm for {}", rules.leads_at_most, show_seconds(rules.leads_for.as_secs_f64()));
    Ask::new(ProofPattern::OpenCoil, "Open. Leads together.", waits_for)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::Sample,
        session::{judge::tests::volts, proof::step_proof::tests::reading},
        units::Quantity,
    };

    #[derive(Default)]
    struct Story {
        at: i64,
        said: Vec<String>,
        passed: usize,
    }

    impl Story {
        fn show(&mut self, coil: &mut OpenCoil, value: Value, seconds: f64) {
            let mut facts = LeadFacts::default();
            for _ in 0..(seconds * 10.0) as i64 {
                self.at += 100_000;
                let sample = Sample { quantity: Quantity::Ohms, value, ..volts(self.at, 0.0) };
                match coil.sample(&ProofRules::default(), &reading(&sample), Some(6.9), &mut facts) {
                    Response::Pass => self.passed += 1,
                    Response::Ask(ask) => self.said.push(ask.text),
                    Response::Proven(_, text) => self.said.push(text),
                    Response::Hold | Response::Say(_) => {}
                }
            }
        }
    }

    #[test]
    fn an_open_coil_is_proven_by_the_leads() {
        let (mut coil, mut story) = (OpenCoil::new(&ProofRules::default()), Story::default());
        story.show(&mut coil, Value::Over, 3.5);
        story.show(&mut coil, Value::Number(0.2), 1.5);
        story.show(&mut coil, Value::Over, 3.5);
        assert_eq!(story.said, ["Open. Leads together.", "Leads good. Coil again.", "Coil open, proven."]);
    }

    #[test]
    fn a_coil_after_a_long_walk_passes() {
        let (mut coil, mut story) = (OpenCoil::new(&ProofRules::default()), Story::default());
        story.show(&mut coil, Value::Over, 3.5);
        story.passed = 0;
        story.show(&mut coil, Value::Number(7.5), 1.5);
        assert_eq!((story.said.len(), story.passed), (1, 15));
        // It is asked again only after a longer pause.
        story.show(&mut coil, Value::Over, 8.5);
        assert_eq!(story.said.len(), 1);
    }
}
