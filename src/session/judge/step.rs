//! The judge of one step: which samples count, what is captured, and the judgement when the step ends.
//!
//! Reading order: here, `reading` (what one sample counts for), `captured`, `worst`, `left` (what a step that is left has), `reasons`.

mod captured;
mod left;
mod reading;
mod reasons;
mod worst;

pub(crate) use worst::excess;

use super::{
    Capture, CaptureMethod, CoilHold, FRESH_US, HoldTimer, Judgement, LeadContact, NotJudged, SteadyWindow,
    StepCriteria, Verdict, hold::HoldEvent,
};
use crate::{
    channel::{ChannelId, Sample},
    clock::{Mono, micros},
    procedure::{CaptureMode, ContactRule},
    protocol::Value,
    session::{
        findings::SharedGainError,
        proof::{Ask, LeadReading, Response, StepProof},
        watch::WatchEvent,
    },
    units::Quantity,
};

/// Noise up to this share of the room that a limit leaves does not affect a verdict.
const COARSE: f64 = 0.1;

/// What happens in a step, beside the verdict on each sample.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum StepEvent {
    /// A value was captured automatically.
    Captured(Box<Capture>),
    /// The lead was lifted after that.
    Lifted,
    /// An announcement to the operator.
    Say(String),
    /// A question to the operator.
    Ask(Ask),
    /// Seconds until it must be switched off.
    Count(i64),
    /// It must be switched off now.
    TimeUp,
    /// Something that the watch found.
    Watched(WatchEvent),
}

/// Judges the samples of one step.
#[derive(Debug, Clone)]
pub(crate) struct StepJudge {
    /// What the step measures and must show.
    pub criteria: StepCriteria,
    /// What the leads must prove before it is captured.
    pub proof: StepProof,
    began: Mono,
    contact: LeadContact,
    window: SteadyWindow,
    hold: Option<HoldTimer>,
    /// The newest sample on the watched channel.
    last: Option<Sample>,
    /// Of the samples that count, the one that was deepest outside, or nearest to it.
    worst: Option<Sample>,
    /// The worst of an earlier session that was cut off in this step.
    before: Option<Sample>,
    /// The judgement of `worst` and how deep it was outside, by a limit that moves.
    worst_judged: Option<(f64, Judgement)>,
    /// As `worst`, with what came before it had settled; only of a step that asks for a load.
    peak: Option<Sample>,
    /// The newest capture by an operator command.
    taken: Option<Capture>,
    /// The automatic capture.
    captured: Option<Capture>,
    /// Whether the lead was lifted after that.
    lifted: bool,
    /// Whether the newest current was read backward.
    reversed: bool,
    /// Whether the value was taken or proven while the leads touched nothing: the next touch is another point's.
    in_air: bool,
    /// The wrong switch position that was announced last.
    announced_switch: Option<(NotJudged, Quantity)>,
    asked: bool,
}

impl StepJudge {
    /// Begins a step with the leads in this state.
    pub(crate) fn new(mut criteria: StepCriteria, began: Mono, contact: LeadContact) -> Self {
        if let Some(reference) = &mut criteria.reference {
            criteria.limit = reference.limit(began);
        }
        Self {
            window: SteadyWindow::new(micros(criteria.steady)),
            hold: (criteria.hold_at_most.is_some() || criteria.load.is_asked_for())
                .then(|| HoldTimer::new(criteria.hold_at_most, criteria.coil)),
            proof: StepProof::new(
                criteria.proof.clone(),
                criteria.measured(),
                criteria.mode == CaptureMode::Steady && criteria.contact != ContactRule::Fixed,
                &criteria.name,
            ),
            criteria,
            began,
            contact,
            last: None,
            worst: None,
            before: None,
            worst_judged: None,
            peak: None,
            taken: None,
            captured: None,
            lifted: false,
            reversed: false,
            in_air: false,
            announced_switch: None,
            asked: false,
        }
    }

    /// When the step began.
    pub(crate) fn began(&self) -> Mono {
        self.began
    }

    /// What is known of the step's coil as the step ends; none where nothing was watched.
    pub(crate) fn coil(&self, now: Mono) -> Option<CoilHold> {
        self.hold.as_ref().map(|hold| hold.coil().left(now))
    }

    /// The newest sample on the watched channel, as it counts.
    pub(crate) fn last(&self) -> Option<&Sample> {
        self.last.as_ref()
    }

    /// Whether the leads are still where a value was captured automatically.
    pub(crate) fn rests_on_its_capture(&self) -> bool {
        (self.captured.is_some() || self.proof.may_be_on_battery())
            && !self.lifted
            && !self.contact.is_fixed()
            && self.contact.since().is_some()
    }

    /// Takes one more sample of any channel; returns the verdict on this sample alone, where there is one.
    pub(crate) fn sample(&mut self, sample: &Sample, events: &mut Vec<StepEvent>) -> Option<Verdict> {
        if Some(sample.channel) == self.criteria.channel {
            self.reversed = self.is_reversed(sample);
        }
        let sample = &self.as_asked(sample);
        let unloaded = self.criteria.load.began().is_none();
        self.criteria.load.sample(sample);
        if unloaded && let Some(last) = self.last.filter(|last| self.criteria.load.began() == Some(last.at)) {
            // The frame that shows the load may also hold the surge, before the load in its order.
            self.keep_peak(&last);
        }
        if let Some(heat) = &mut self.criteria.heat {
            heat.sample(sample);
        }
        self.proof.any(sample, self.criteria.channel);
        if let Some(reference) = &mut self.criteria.reference
            && reference.sample(sample)
        {
            self.criteria.limit = reference.limit(sample.at);
        }
        if Some(sample.channel) != self.criteria.channel {
            return None;
        }
        let as_shown = sample;
        let sample = &self.proof.without_leads(as_shown);
        self.last = Some(*sample);
        if let Some(unfit) = self.unfit(sample) {
            self.contact.broken();
            self.window.clear();
            self.announce_switch(unfit, sample.quantity, events);
            return Some(unfit.into());
        }
        self.announced_switch = None;
        let touched = self.contact.since().is_some();
        self.contact.sample(sample);
        self.count_hold(sample.at, events);
        let passes = self.prove(as_shown, events);
        let Some(since) = self.contact.since() else {
            self.window.clear();
            if touched && self.has_its_value() {
                self.lift(events);
            }
            return None;
        };
        if self.in_air && !touched {
            self.lift(events);
            return None;
        }
        let verdict = self.counting(sample, since, passes);
        if passes && verdict.is_none_or(|verdict| !matches!(verdict, Verdict::NoLoadCurrent | Verdict::NotSettled)) {
            self.capture_by_itself(events);
        }
        verdict
    }

    /// The error that a value shares with others of its meter.
    fn own_gain(&self, sample: &Sample) -> Option<SharedGainError> {
        let Value::Number(value) = sample.value else { return None };
        SharedGainError::of_channel(self.criteria.known.as_ref()?, sample.quantity, value)
    }

    fn capture_by_itself(&mut self, events: &mut Vec<StepEvent>) {
        if self.criteria.mode != CaptureMode::Steady || self.has_its_value() {
            return;
        }
        let (Some(settled), Some(last)) = (self.window.settled(self.coarse()), self.last) else { return };
        self.capture(self.of_window(CaptureMethod::Steady, settled, &last), events);
        if self.reversed && self.proof.facts.is_new_reversed(last.channel) {
            events.push(StepEvent::Say("the clamp is on backward: its current counts as positive".to_owned()));
        }
    }

    /// Whether the load is on; none for a step without one.
    pub(crate) fn loaded(&self, now: Mono) -> Option<bool> {
        let load = &self.criteria.load;
        load.is_asked_for().then(|| load.since(now).is_some())
    }

    fn capture(&mut self, capture: Capture, events: &mut Vec<StepEvent>) {
        self.captured = Some(capture.clone());
        events.push(StepEvent::Captured(Box::new(capture)));
        if self.contact.is_fixed() && self.criteria.mode == CaptureMode::Steady {
            // Nothing can be lifted: the step is done.
            self.lift(events);
        }
    }

    fn lift(&mut self, events: &mut Vec<StepEvent>) {
        if !std::mem::replace(&mut self.lifted, true) {
            events.push(StepEvent::Lifted);
        }
    }

    /// Whether a step that captures by itself has nothing left to capture. What was taken and did not count is no value.
    fn has_its_value(&self) -> bool {
        self.criteria.mode == CaptureMode::Steady
            && (self.captured.is_some() || self.taken.as_ref().is_some_and(Capture::counts))
    }

    /// Whether a reading may be captured, as far as the leads' proofs go.
    fn prove(&mut self, sample: &Sample, events: &mut Vec<StepEvent>) -> bool {
        let has_value = match self.criteria.mode {
            CaptureMode::Steady => self.has_its_value(),
            CaptureMode::Taken => self.taken.is_some() || self.captured.is_some(),
            CaptureMode::Worst | CaptureMode::Wiggle => true,
        };
        // Leads that still are where the previous step was captured say nothing of this step.
        if has_value || self.contact.waits_for_a_lift() {
            return true;
        }
        let (loaded, load) = (self.loaded(sample.at), &self.criteria.load);
        let load_on = load.is_asked_for().then(|| load.began().is_some());
        match self.proof.sample(&LeadReading { sample, loaded, load_on }) {
            Response::Pass => return true,
            Response::Hold => {}
            Response::Ask(ask) => events.push(StepEvent::Ask(ask)),
            Response::Say(text) => events.push(StepEvent::Say(text)),
            Response::Proven(proven, text) => {
                events.push(StepEvent::Say(text));
                self.in_air = self.criteria.mode == CaptureMode::Steady && self.contact.since().is_none();
                self.capture(self.of_proof(CaptureMethod::Proven, *proven), events);
            }
        }
        false
    }

    /// Handles a tick; whether anything changed by it.
    pub(crate) fn tick(&mut self, now: Mono, events: &mut Vec<StepEvent>) -> bool {
        let before = self.hold.clone();
        self.count_hold(now, events);
        let waiting = self.criteria.mode == CaptureMode::Steady && self.captured.is_none() && self.taken.is_none();
        // Finding the pin takes time, so the waiting time begins anew at contact.
        let since = self.contact.since().unwrap_or(self.began).max(self.began);
        if waiting && !self.asked && now.since(since) > micros(self.criteria.patience) {
            self.asked = true;
            let can_be_taken = self.fresh(now).is_some_and(|sample| self.unfit(&sample).is_none());
            let way = if can_be_taken { "; `take` captures it as it is" } else { "" };
            events.push(StepEvent::Say(format!("{}{way}", self.why_not(now))));
        }
        !events.is_empty() || self.hold != before
    }

    /// The meters of these channels were lost: their last readings no longer hold.
    pub(crate) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        self.criteria.load.lost(&gone);
        if let Some(reference) = &mut self.criteria.reference {
            reference.lost(&gone);
        }
        if self.criteria.channel.is_some_and(gone) {
            self.last = None;
            self.contact.broken();
            self.window.clear();
        }
    }

    fn fresh(&self, now: Mono) -> Option<Sample> {
        self.last.filter(|sample| now.since(sample.at) <= FRESH_US)
    }

    /// Announces once which switch is wrong, but not right after the step began, when the operator may be turning it.
    fn announce_switch(&mut self, unfit: NotJudged, quantity: Quantity, events: &mut Vec<StepEvent>) {
        const REACHING_US: i64 = 3_000_000;
        // Nobody reaches for HOLD: a held display is announced at once.
        let is_held = unfit == NotJudged::HeldDisplay;
        let late = is_held || self.last.is_some_and(|sample| sample.at.since(self.began) > REACHING_US);
        if late && self.announced_switch != Some((unfit, quantity)) {
            self.announced_switch = Some((unfit, quantity));
            if let Some(last) = &self.last {
                events.push(StepEvent::Say(self.switch_words(last)));
            }
        }
    }

    /// The time counts from the load, where the step names one: fixed leads make contact from the step's begin.
    fn count_hold(&mut self, now: Mono, events: &mut Vec<StepEvent>) {
        let since = match self.criteria.load.is_asked_for() {
            true => self.criteria.load.since(now),
            false => self.contact.since(),
        };
        let Some(hold) = &mut self.hold else { return };
        hold.on(since, now);
        match hold.count(now) {
            Some(HoldEvent::Remaining(seconds)) => events.push(StepEvent::Count(seconds)),
            Some(HoldEvent::Expired) => events.push(StepEvent::TimeUp),
            None => {}
        }
    }

    /// The noise that the verdict tolerates, base units.
    fn coarse(&self) -> f64 {
        self.criteria.limit.map_or(0.0, |limit| COARSE * limit.room())
    }
}

#[cfg(test)]
pub(in crate::session) mod tests;
