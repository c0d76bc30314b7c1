//! The patterns of one step, in the order in which they are asked.

use super::{
    Ask, CaptureFlag, LeadFacts, ProvenValue, Response,
    crossed_leads::CrossedLeads,
    ghost_volts::GhostVolts,
    held_display::HeldDisplay,
    leads_together::{LeadsTogether, is_low},
    negative_drop::NegativeDrop,
    nothing_on_pin::NothingOnPin,
    open_coil::OpenCoil,
    response::LeadReading,
    slipped_lead::{MeasuringLead, SlippedLead},
    wrong_jack::ShortWatch,
};
use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    electrics::Uncertain,
    procedure::ProofRules,
    protocol::Value,
    units::Quantity,
};

/// What a step measures, as far as the patterns differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum MeasuredPoint {
    /// Volts of a feed: a lead that touches nothing reads like a dead one.
    Feed,
    /// A drop: a lead that touches nothing reads like a good joint.
    Drop(MeasuringLead),
    /// Ohms of a coil, which has at least these, ohm.
    Coil(Option<f64>),
    /// Anything else.
    Other,
}

/// The patterns of one step, and what they know.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StepProof {
    rules: ProofRules,
    measured: MeasuredPoint,
    /// Whether the step captures by itself with leads that can be moved: only then is a touch asked for that proves it dead
    /// or open. Where the operator takes the value, he says so himself.
    is_hands_free: bool,
    /// What the session knows; it is handed on from step to step.
    pub(crate) facts: LeadFacts,
    battery: Option<ChannelId>,
    ask: Option<Ask>,
    crossed: CrossedLeads,
    shorts: ShortWatch,
    nothing: NothingOnPin,
    ghost: GhostVolts,
    open: OpenCoil,
    together: LeadsTogether,
    negative: NegativeDrop,
    slipped: SlippedLead,
    held: HeldDisplay,
}

impl StepProof {
    /// The patterns of a step that measures this at a point of this name.
    pub(crate) fn new(rules: ProofRules, measured: MeasuredPoint, is_hands_free: bool, point: &str) -> Self {
        let lead = match measured {
            MeasuredPoint::Drop(lead) => lead,
            _ => MeasuringLead::Red,
        };
        Self {
            nothing: NothingOnPin::new(point, &rules),
            open: OpenCoil::new(&rules),
            slipped: SlippedLead::new(lead, &rules),
            rules,
            measured,
            is_hands_free,
            facts: LeadFacts::default(),
            battery: None,
            ask: None,
            crossed: CrossedLeads::default(),
            shorts: ShortWatch::default(),
            ghost: GhostVolts::default(),
            together: LeadsTogether::default(),
            negative: NegativeDrop::default(),
            held: HeldDisplay::default(),
        }
    }

    /// A channel became known.
    pub(crate) fn channel_found(&mut self, id: ChannelId, name: &str) {
        if name.eq_ignore_ascii_case(&self.rules.battery) {
            self.battery = Some(id);
        }
    }

    /// The step's meter has jacks or not; in doubt, its red lead may be in the amps jack.
    pub(crate) fn jacks(&mut self, has_jacks: bool, in_doubt: bool) {
        self.nothing.jacks(has_jacks, in_doubt);
    }

    /// Whether the red lead may still be in the amps jack.
    pub(crate) fn jack_is_in_doubt(&self) -> bool {
        self.nothing.jack_is_in_doubt()
    }

    /// A reading of any channel of the bench.
    pub(crate) fn any(&mut self, sample: &Sample, own: Option<ChannelId>) {
        if Some(sample.channel) == self.battery {
            self.facts.battery(sample);
        }
        if Some(sample.channel) != own {
            self.shorts.other(sample, self.battery);
        }
    }

    /// A reading of the step's channel, before anything of it is captured.
    pub(crate) fn sample(&mut self, reading: &LeadReading) -> Response {
        let response = self.first(reading);
        match &response {
            Response::Ask(ask) => self.ask = Some(ask.clone()),
            Response::Pass | Response::Proven(..) => self.ask = None,
            Response::Hold | Response::Say(_) => {}
        }
        response
    }

    /// The first pattern that does not let the reading pass.
    fn first(&mut self, reading: &LeadReading) -> Response {
        let Self { rules, facts, .. } = self;
        match self.measured {
            // The battery channel's own wires stay where they are.
            MeasuredPoint::Feed if self.battery == Some(reading.sample.channel) => Response::Pass,
            MeasuredPoint::Feed => {
                let crossed = self.crossed.sample(rules, reading, facts);
                if crossed != Response::Pass {
                    self.nothing.crossed(reading.sample);
                    return crossed;
                }
                let is_nothing = reading.number().is_some_and(|volts| volts.abs() < rules.nothing_below);
                if is_nothing && self.nothing.awaits_battery() && self.shorts.take(reading.at()) {
                    return self.nothing.short();
                }
                let nothing = match self.is_hands_free {
                    true => self.nothing.sample(rules, reading, facts),
                    false => Response::Pass,
                };
                match nothing {
                    Response::Pass => self.ghost.sample(rules, reading, facts),
                    owned => owned,
                }
            }
            MeasuredPoint::Coil(least) => {
                let open = match self.is_hands_free {
                    true => self.open.sample(rules, reading, least, facts),
                    false => Response::Pass,
                };
                match open {
                    Response::Pass => self.together.sample(rules, reading, least, facts),
                    owned => owned,
                }
            }
            MeasuredPoint::Drop(_) => {
                let held = self.held.sample(reading);
                if held != Response::Pass {
                    return held;
                }
                match self.slipped.sample(rules, reading, facts) {
                    Response::Pass => self.negative.sample(rules, reading, facts),
                    owned => owned,
                }
            }
            MeasuredPoint::Other => Response::Pass,
        }
    }

    /// A reading of the step's channel as it is judged: the resistance of the leads is taken off ohms.
    pub(crate) fn without_leads(&self, sample: &Sample) -> Sample {
        let leads = self.facts.leads(sample.channel).filter(|_| sample.quantity == Quantity::Ohms);
        let (Some(leads), Value::Number(ohms)) = (leads, sample.value) else { return *sample };
        let without = Uncertain::new(ohms, sample.u.unwrap_or(0.0)) - leads;
        Sample { value: Value::Number(without.value), u: sample.u.map(|_| without.u), ..*sample }
    }

    /// The resistance of the leads that was taken off, ohm.
    pub(crate) fn leads_taken_off(&self, sample: &Sample) -> Option<f64> {
        let leads = self.facts.leads(sample.channel).filter(|_| sample.quantity == Quantity::Ohms);
        leads.map(|leads| leads.value)
    }

    /// What is to be doubted of a value that is taken as it is. `loaded` as in [`LeadReading`].
    pub(crate) fn doubts(&self, sample: &Sample, loaded: Option<bool>) -> Option<(CaptureFlag, &'static str)> {
        match self.measured {
            MeasuredPoint::Drop(_) if loaded == Some(true) && SlippedLead::is_nothing(sample) => {
                Some((CaptureFlag::DoubtedZeroDrop, "doubted: a lead that touches nothing would show the same"))
            }
            MeasuredPoint::Feed if self.ghost.is_ghost() => {
                Some((CaptureFlag::GhostVolts, "these volts drift and no load has proven them"))
            }
            MeasuredPoint::Feed | MeasuredPoint::Coil(_) if self.is_hands_free && self.reads_as_open_leads(sample) => {
                Some((CaptureFlag::NotProven, "not proven: a lead that touches nothing would show the same"))
            }
            _ => None,
        }
    }

    /// Whether the leads in the air would show this at a feed or a coil.
    fn reads_as_open_leads(&self, sample: &Sample) -> bool {
        match (self.measured, sample.value) {
            (MeasuredPoint::Feed, Value::Number(volts)) => {
                volts.abs() < self.rules.nothing_below && self.battery != Some(sample.channel)
            }
            (MeasuredPoint::Coil(_), Value::Over) => true,
            _ => false,
        }
    }

    /// A value that is kept, not proven, where its question is not answered: the drop before the lead slipped.
    pub(crate) fn kept(&self) -> Option<ProvenValue> {
        self.slipped.kept()
    }

    /// The question that waits for an answer.
    pub(crate) fn ask(&self) -> Option<&Ask> {
        self.ask.as_ref()
    }

    /// The question as it was put.
    pub(crate) fn put(&mut self, ask: Ask) {
        self.ask = Some(ask);
    }

    /// The operator acknowledges; the next question, where something was to be acknowledged.
    pub(crate) fn acknowledge(&mut self, now: Mono) -> Option<Ask> {
        let ask = self.nothing.acknowledge(&self.facts, now)?;
        self.ask = Some(ask.clone());
        Some(ask)
    }

    /// A command cut the dialogue short.
    pub(crate) fn cut_short(&mut self) {
        self.ask = None;
        if self.nothing.awaits_touch() {
            self.facts.touch_may_follow();
        }
        self.nothing.cut_short();
        self.open.cut_short();
        self.together.cut_short();
        self.slipped.cut_short();
    }

    /// What the point showed, where the leads may be on the battery now.
    pub(crate) fn point(&self) -> Option<Sample> {
        self.nothing.pin()
    }

    /// Whether the leads may be on the battery and not on the point.
    pub(crate) fn may_be_on_battery(&self) -> bool {
        self.nothing.may_be_on_battery()
    }

    /// Why a reading can't be taken; none where it can.
    pub(crate) fn refuses(&self, sample: &Sample) -> Option<&'static str> {
        let Value::Number(value) = sample.value else { return None };
        match self.measured {
            MeasuredPoint::Feed if value <= -self.rules.nothing_below && self.battery != Some(sample.channel) => {
                Some("the leads are crossed, swap them")
            }
            MeasuredPoint::Coil(least)
                if self.facts.leads(sample.channel).is_none() && is_low(value, &self.rules, least) =>
            {
                Some("it reads like the leads on each other: hold them together for a moment, then touch the coil")
            }
            _ => None,
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A reading of a step without a load.
    pub(crate) fn reading(sample: &Sample) -> LeadReading<'_> {
        LeadReading { sample, loaded: None, load_on: None }
    }

    use crate::session::judge::tests::volts;

    /// Shows volts for some seconds, a reading each 100 ms; returns what was said and what was proven.
    fn show(proof: &mut StepProof, at: &mut i64, value: f64, seconds: f64) -> (Vec<String>, Vec<ProvenValue>) {
        let (mut said, mut proven) = (Vec::new(), Vec::new());
        for _ in 0..(seconds * 10.0) as i64 {
            *at += 100_000;
            match proof.sample(&reading(&volts(*at, value))) {
                Response::Ask(ask) => said.push(ask.text),
                Response::Say(text) => said.push(text),
                Response::Proven(value, _) => proven.push(*value),
                Response::Pass | Response::Hold => {}
            }
        }
        (said, proven)
    }

    /// Seen by a technician: the proof left out the touch that told of the crossed leads, and the jack was asked about while
    /// the leads were being swapped.
    #[test]
    fn crossed_leads_on_the_battery_stand_in_the_proof() {
        let mut proof = StepProof::new(ProofRules::default(), MeasuredPoint::Feed, true, "lift feed");
        proof.channel_found(ChannelId(7), "battery");
        let at = &mut 0;
        let battery =
            |at: i64, proof: &mut StepProof| proof.any(&Sample { channel: ChannelId(7), ..volts(at, 12.6) }, None);
        battery(0, &mut proof);
        show(&mut proof, at, 0.002, 15.0);
        battery(*at, &mut proof);
        let (said, _) = show(&mut proof, at, -12.6, 1.0);
        assert_eq!(said, ["Leads crossed, swap them."]);
        battery(*at, &mut proof);
        let (said, _) = show(&mut proof, at, 0.001, 2.0);
        assert!(said.is_empty(), "{said:?}");
        battery(*at, &mut proof);
        show(&mut proof, at, 12.6, 1.0);
        show(&mut proof, at, 0.003, 3.5);
        show(&mut proof, at, 12.6, 1.0);
        let (_, proven) = show(&mut proof, at, 0.003, 0.2);
        let [proven] = &proven[..] else { panic!("{proven:?}") };
        let touched: Vec<Value> =
            proven.proof.iter().flat_map(|proof| &proof.touches).map(|touch| touch.value).collect();
        assert!(touched.contains(&Value::Number(-12.6)), "{touched:?}");
    }

    /// Seen by a technician: he took the dead pin, touched the battery as he had been asked, and that was the next feed.
    #[test]
    fn a_touch_of_the_battery_after_take_is_not_the_next_feed() {
        let mut proof = StepProof::new(ProofRules::default(), MeasuredPoint::Feed, true, "lift feed");
        let at = &mut 0;
        show(&mut proof, at, 0.002, 5.0);
        proof.cut_short();
        let mut next = StepProof::new(ProofRules::default(), MeasuredPoint::Feed, true, "tilt feed");
        next.facts = proof.facts.clone();
        show(&mut next, at, 0.002, 1.0);
        let (said, _) = show(&mut next, at, 12.6, 1.0);
        assert_eq!(
            said,
            ["Twelve point six volts: which terminal is that? If it is tilt feed, hold it; if not, lift."]
        );
        let (said, _) = show(&mut next, at, 0.002, 2.0);
        assert!(said.is_empty(), "{said:?}");
        *at += 100_000;
        assert_eq!(next.sample(&reading(&volts(*at, 12.5))), Response::Pass);
    }
}
