//! One step as it runs: which samples count, what is captured, and what is said when it is left.

mod captured;

use super::{
    Capture, CaptureMethod, FRESH_US, HoldTimer, LeadContact, NotJudged, SteadyWindow, StepCriteria, Verdict,
    beyond_range::BeyondRange, compare, hold::HoldEvent,
};
use crate::{
    channel::{ChannelId, Sample},
    clock::{Mono, micros},
    electrics::Uncertain,
    procedure::CaptureMode,
    protocol::{Annunciators, Value},
    units::{Dimension, Limit, Quantity, show},
};

/// Noise of so much of the room that a limit leaves does not disturb a verdict.
const COARSE: f64 = 0.1;

/// A display that shows one of these shows a value of before.
const NOT_OF_NOW: Annunciators =
    Annunciators::HOLD.union(Annunciators::MINIMUM).union(Annunciators::MAXIMUM).union(Annunciators::PEAK);

/// What a step has to tell, beside the verdict on each sample.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum StepEvent {
    /// A value was captured without hands.
    Captured(Box<Capture>),
    /// The lead was lifted after that.
    Lifted,
    /// Something the operator should hear.
    Say(String),
    /// Seconds until it must be switched off.
    Count(i64),
    /// It must be switched off now.
    TimeUp,
}

/// What a sample came to.
pub(crate) type Seen = Option<Verdict>;

/// Judges the samples of one step.
#[derive(Debug, Clone)]
pub(crate) struct StepJudge {
    /// What the step looks at.
    pub criteria: StepCriteria,
    began: Mono,
    contact: LeadContact,
    window: SteadyWindow,
    hold: Option<HoldTimer>,
    /// The newest sample on the watched channel.
    last: Option<Sample>,
    /// Of the samples that count, the one that was deepest outside, or nearest to it.
    worst: Option<Sample>,
    /// As `worst`, with what came before it had settled; only of a step that asks for a load.
    peak: Option<Sample>,
    /// The newest capture by an operator command.
    taken: Option<Capture>,
    /// The capture without hands.
    captured: Option<Capture>,
    /// Whether the lead was lifted after that.
    lifted: bool,
    /// Which wrong switch has been told.
    told: Option<(NotJudged, Quantity)>,
    asked: bool,
}

impl StepJudge {
    /// A step that begins with the leads where this contact has them.
    pub(crate) fn new(criteria: StepCriteria, began: Mono, contact: LeadContact) -> Self {
        Self {
            window: SteadyWindow::new(micros(criteria.steady)),
            hold: criteria.hold_at_most.map(HoldTimer::new),
            criteria,
            began,
            contact,
            last: None,
            worst: None,
            peak: None,
            taken: None,
            captured: None,
            lifted: false,
            told: None,
            asked: false,
        }
    }

    /// Whether the leads are still where something was captured without hands.
    pub(crate) fn rests_on_its_capture(&self) -> bool {
        self.captured.is_some() && !self.lifted && !self.contact.is_fixed()
    }

    /// One more sample of any channel; the verdict on it alone, where there is something to judge.
    pub(crate) fn sample(&mut self, sample: &Sample, events: &mut Vec<StepEvent>) -> Seen {
        let sample = &self.as_asked(sample);
        let unloaded = self.criteria.load.began().is_none();
        self.criteria.load.sample(sample);
        if unloaded && let Some(last) = self.last.filter(|last| self.criteria.load.began() == Some(last.at)) {
            // The frame that shows the load may hold the surge too, and before it.
            self.keep_peak(&last);
        }
        if let Some(heat) = &mut self.criteria.heat {
            heat.sample(sample);
        }
        if Some(sample.channel) != self.criteria.channel {
            return None;
        }
        self.last = Some(*sample);
        if let Some(unfit) = self.unfit(sample) {
            self.contact.broken();
            self.window.clear();
            self.tell_switch(unfit, sample.quantity, events);
            return Some(unfit.into());
        }
        self.told = None;
        let touched = self.contact.since().is_some();
        self.contact.sample(sample);
        self.count_hold(sample.at, events);
        let Some(since) = self.contact.since() else {
            self.window.clear();
            if touched && self.captured.is_some() && !self.lifted {
                self.lifted = true;
                events.push(StepEvent::Lifted);
            }
            return None;
        };
        let verdict = self.counting(sample, since);
        if verdict.is_none_or(|verdict| !matches!(verdict, Verdict::NotLoaded | Verdict::NotSettled)) {
            self.capture_by_itself(events);
        }
        verdict
    }

    /// An overload that does not tell its function (`OL` alone) may be on any: it is taken for the one that is asked for.
    fn as_asked(&self, sample: &Sample) -> Sample {
        let wanted = self.criteria.quantity.or(self.criteria.limit.map(|limit| Quantity::of(limit.dimension)));
        match (sample.value, wanted) {
            (Value::Over | Value::Under, Some(wanted))
                if Some(sample.channel) == self.criteria.channel && sample.quantity == Quantity::Number =>
            {
                Sample { quantity: wanted, ..*sample }
            }
            _ => *sample,
        }
    }

    /// A sample while the leads touch: does it count, and what does it say?
    fn counting(&mut self, sample: &Sample, touching: Mono) -> Seen {
        if self.criteria.load.began().is_some() {
            self.keep_peak(sample);
        }
        let Some(loaded) = self.criteria.load.since(sample.at) else {
            self.window.clear();
            return self.criteria.limit.map(|_| Verdict::NotLoaded);
        };
        if sample.at < touching.max(loaded).plus(self.criteria.after) {
            return self.criteria.limit.map(|_| Verdict::NotSettled);
        }
        keep_worse(&mut self.worst, sample, self.criteria.limit.as_ref());
        match sample.value {
            Value::Number(value) => self.window.push(sample.at, value, sample.digit),
            Value::Over | Value::Under => self.window.clear(),
        }
        let limit = self.criteria.limit.as_ref().filter(|limit| limit.dimension == sample.quantity.dimension())?;
        if let Some(beyond) = BeyondRange::of(sample, self.criteria.range) {
            return Some(beyond.compare(limit, self.criteria.rule).into());
        }
        let (value, u) = match (sample.value, &self.criteria.heat) {
            (Value::Number(value), Some(heat)) => {
                match heat.corrected(Uncertain::new(value, sample.u.unwrap_or(0.0))) {
                    Some((corrected, _)) => (Value::Number(corrected.value), Some(corrected.u)),
                    None => (sample.value, sample.u),
                }
            }
            _ => (sample.value, sample.u),
        };
        Some(compare(limit, value, u, self.criteria.rule).into())
    }

    /// A surge begins with a load, before it has held for long enough to count: before the leads are on,
    /// whatever is read is none.
    fn keep_peak(&mut self, sample: &Sample) {
        if self.contact.since().is_some() && self.unfit(sample).is_none() {
            keep_worse(&mut self.peak, sample, self.criteria.limit.as_ref());
        }
    }

    fn capture_by_itself(&mut self, events: &mut Vec<StepEvent>) {
        if self.criteria.mode != CaptureMode::Steady || self.captured.is_some() || self.taken.is_some() {
            return;
        }
        let (Some(settled), Some(last)) = (self.window.settled(self.coarse()), self.last) else { return };
        let capture = self.of_window(CaptureMethod::Steady, settled, &last);
        self.captured = Some(capture.clone());
        events.push(StepEvent::Captured(Box::new(capture)));
        if self.contact.is_fixed() {
            // Nothing can be lifted: it is done.
            self.lifted = true;
            events.push(StepEvent::Lifted);
        }
    }

    /// Time goes by.
    pub(crate) fn tick(&mut self, now: Mono, events: &mut Vec<StepEvent>) {
        self.count_hold(now, events);
        let waiting = self.criteria.mode == CaptureMode::Steady && self.captured.is_none() && self.taken.is_none();
        // Finding the pin takes its time; what then rattles has a patience of its own.
        let since = self.contact.since().unwrap_or(self.began).max(self.began);
        if waiting && !self.asked && now.since(since) > micros(self.criteria.patience) {
            self.asked = true;
            let can_be_taken = self.fresh(now).is_some_and(|sample| self.unfit(&sample).is_none());
            let way = if can_be_taken { "; `take` captures it as it is" } else { "" };
            events.push(StepEvent::Say(format!("{}{way}", self.why_not(now))));
        }
    }

    /// The meters of these channels went away: what they said last is no longer now.
    pub(crate) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        self.criteria.load.lost(&gone);
        if self.criteria.channel.is_some_and(gone) {
            self.last = None;
            self.contact.broken();
            self.window.clear();
        }
    }

    /// Whether there is a reading of now to take.
    pub(crate) fn has_reading(&self, now: Mono) -> bool {
        self.fresh(now).is_some()
    }

    /// Which switch keeps the reading of now from being taken; none where it may be.
    pub(crate) fn wrong_switch(&self, now: Mono) -> Option<String> {
        let sample = self.fresh(now)?;
        self.unfit(&sample).map(|_| self.switch_words(&sample))
    }

    /// An operator command: capture the present reading.
    pub(crate) fn take(&mut self, now: Mono) -> Capture {
        let capture = self.as_it_is(CaptureMethod::Taken, now);
        self.taken = Some(capture.clone());
        capture
    }

    /// What the step is judged on when it is left; none for a step that looks at nothing.
    pub(crate) fn close(&self, now: Mono) -> Option<Capture> {
        if let Some(capture) =
            self.taken.as_ref().or(self.captured.as_ref()).filter(|_| self.criteria.mode != CaptureMode::Worst)
        {
            return Some(capture.clone());
        }
        self.criteria.limit?;
        Some(match self.criteria.mode {
            CaptureMode::Taken => self.as_it_is(CaptureMethod::Last, now),
            CaptureMode::Worst => match self.worst {
                Some(worst) => self.of_sample(CaptureMethod::Worst, &worst),
                None => self.nothing(CaptureMethod::Worst, now),
            },
            CaptureMode::Steady => self.nothing(CaptureMethod::Steady, now),
        })
    }

    /// What is shown now, or why it does not count.
    fn as_it_is(&self, how: CaptureMethod, now: Mono) -> Capture {
        let Some(sample) = self.fresh(now) else { return self.nothing(how, now) };
        let loaded = self.criteria.load.since(sample.at);
        let touching = self.contact.since().unwrap_or(self.began);
        if self.unfit(&sample).is_none() && loaded.is_none() {
            return self.refused(how, &sample, NotJudged::NotLoaded, self.criteria.load.missing(sample.at));
        }
        let early = loaded.is_some_and(|loaded| sample.at < touching.max(loaded).plus(self.criteria.after));
        if self.unfit(&sample).is_none() && early {
            let reason = format!("taken less than {} ms after the load came on", self.criteria.after.as_millis());
            return self.refused(how, &sample, NotJudged::NotSettled, reason);
        }
        match self.window.settled(self.coarse()) {
            Some(settled) if self.unfit(&sample).is_none() => self.of_window(how, settled, &sample),
            _ => self.of_sample(how, &sample),
        }
    }

    /// No value at all, and why.
    fn nothing(&self, how: CaptureMethod, now: Mono) -> Capture {
        let why = match (self.last, self.criteria.load.since(now)) {
            (Some(_), None) => NotJudged::NotLoaded,
            (Some(_), Some(_)) if self.contact.since().is_some() => NotJudged::NotSettled,
            _ => NotJudged::NoReading,
        };
        let judgement = self.without_value(why, self.why_not(now));
        Capture { how, at: now, channel: self.criteria.channel, judgement, settled: None, peak: None }
    }

    /// Why nothing has been captured.
    fn why_not(&self, now: Mono) -> String {
        let Some(last) = self.last else {
            return match self.criteria.channel {
                None => "no meter on the bench has this step's channel".to_owned(),
                Some(_) => "the meter sent nothing".to_owned(),
            };
        };
        let shown = match last.value {
            Value::Number(value) => show(value, last.quantity),
            Value::Over => "OL".to_owned(),
            Value::Under => "-OL".to_owned(),
        };
        if self.unfit(&last).is_some() {
            return self.switch_words(&last);
        }
        if self.criteria.load.since(now).is_none() {
            return self.criteria.load.missing(now);
        }
        if self.contact.since().is_none() {
            return match last.value {
                _ if self.contact.waits_for_a_lift() => {
                    format!(
                        "the lead is still where the step before was captured ({shown}): lift it, then touch the next point"
                    )
                }
                Value::Number(_) if last.quantity.dimension() == Dimension::Ampere => {
                    format!("{shown} reads like a clamp with no current through it, or a dead circuit")
                }
                Value::Number(_) => {
                    format!("{shown} reads like a lead that touches nothing, or a dead circuit")
                }
                Value::Over | Value::Under => "OL: open, or a lead that touches nothing".to_owned(),
            };
        }
        if now.since(last.at) > FRESH_US {
            return format!("the meter sent nothing in the last {} s", FRESH_US / 1_000_000);
        }
        format!("the reading, last {shown}, was not steady for {} ms", self.criteria.steady.as_millis())
    }

    fn fresh(&self, now: Mono) -> Option<Sample> {
        self.last.filter(|sample| now.since(sample.at) <= FRESH_US)
    }

    /// Why a sample can't be judged whatever its value, where that is so.
    fn unfit(&self, sample: &Sample) -> Option<NotJudged> {
        let limit_elsewhere = self.criteria.limit.is_some_and(|limit| limit.dimension != sample.quantity.dimension());
        match self.criteria.quantity {
            Some(wanted) if wanted != sample.quantity => Some(NotJudged::WrongFunction),
            None if limit_elsewhere => Some(NotJudged::WrongFunction),
            _ if sample.annunciators.intersects(NOT_OF_NOW) => Some(NotJudged::HeldDisplay),
            _ => None,
        }
    }

    /// Tells once which switch is wrong. Right after a step began the operator may just be reaching for it.
    fn tell_switch(&mut self, unfit: NotJudged, quantity: Quantity, events: &mut Vec<StepEvent>) {
        const REACHING_US: i64 = 3_000_000;
        let late = self.last.is_some_and(|sample| sample.at.since(self.began) > REACHING_US);
        if late && self.told != Some((unfit, quantity)) {
            self.told = Some((unfit, quantity));
            if let Some(last) = &self.last {
                events.push(StepEvent::Say(self.switch_words(last)));
            }
        }
    }

    fn switch_words(&self, sample: &Sample) -> String {
        let wanted =
            self.criteria.quantity.map(Quantity::word).or(self.criteria.limit.map(|limit| limit.dimension.unit()));
        match (self.unfit(sample), wanted) {
            (Some(NotJudged::HeldDisplay), _) | (_, None) => {
                let shown = [
                    (Annunciators::MAXIMUM, "the meter shows MAX, switch it to the live value"),
                    (Annunciators::MINIMUM, "the meter shows MIN, switch it to the live value"),
                    (Annunciators::PEAK, "the meter shows PEAK, switch it to the live value"),
                ];
                let shown = shown.into_iter().find(|(which, _)| sample.annunciators.contains(*which));
                shown.map_or("HOLD is on at the meter, switch it off", |(_, words)| words).to_owned()
            }
            (_, Some(wanted)) => format!("the meter is on {}, switch it to {wanted}", sample.quantity),
        }
    }

    /// What is held on is the load, where the step names one: fixed leads touch from the step's beginning on.
    fn count_hold(&mut self, now: Mono, events: &mut Vec<StepEvent>) {
        let since = match self.criteria.load.is_asked_for() {
            true => self.criteria.load.since(now),
            false => self.contact.since(),
        };
        let Some(hold) = &mut self.hold else { return };
        hold.on(since);
        match hold.count(now) {
            Some(HoldEvent::Remaining(seconds)) => events.push(StepEvent::Count(seconds)),
            Some(HoldEvent::Expired) => events.push(StepEvent::TimeUp),
            None => {}
        }
    }

    /// Noise that the verdict can bear, base units.
    fn coarse(&self) -> f64 {
        self.criteria.limit.map_or(0.0, |limit| COARSE * limit.room())
    }
}

/// Keeps the sample that is deeper outside, or nearer to it; without a limit, the larger one.
fn keep_worse(kept: &mut Option<Sample>, sample: &Sample, limit: Option<&Limit>) {
    let badness = |sample: &Sample| match (limit, sample.value) {
        (Some(limit), value) => excess(limit, value),
        (None, Value::Number(value)) => value.abs(),
        (None, Value::Over | Value::Under) => f64::INFINITY,
    };
    if kept.as_ref().is_none_or(|kept| badness(sample) > badness(kept)) {
        *kept = Some(*sample);
    }
}

/// CaptureMethod far outside a value is, base units; negative inside.
fn excess(limit: &Limit, value: Value) -> f64 {
    match value {
        Value::Number(value) => {
            let below = limit.low.map_or(f64::NEG_INFINITY, |low| low - value);
            let above = limit.high.map_or(f64::NEG_INFINITY, |high| value - high);
            below.max(above)
        }
        Value::Over if limit.high.is_some() => f64::INFINITY,
        Value::Under if limit.low.is_some() => f64::INFINITY,
        Value::Over | Value::Under => f64::NEG_INFINITY,
    }
}

#[cfg(test)]
pub(in crate::session) mod tests;
