//! What is captured when the operator takes, answers or leaves the step.

use super::StepJudge;
use crate::{
    clock::Mono,
    procedure::{CaptureMode, YesNo},
    session::judge::{Capture, CaptureMethod, Judgement, NotJudged, VoidCapture},
    units::show_seconds,
};

impl StepJudge {
    /// Whether there is a present reading to take.
    pub(crate) fn has_reading(&self, now: Mono) -> bool {
        self.fresh(now).is_some()
    }

    /// Why the present reading can't be taken, such as a wrong switch position; none where it can.
    pub(crate) fn refusal(&self, now: Mono) -> Option<String> {
        let sample = self.fresh(now)?;
        let switch = self.unfit(&sample).map(|_| self.switch_words(&sample));
        switch.or_else(|| self.proof.refuses(&sample).map(str::to_owned))
    }

    /// An operator command: capture the present reading.
    pub(crate) fn take(&mut self, now: Mono) -> Capture {
        let capture = match (self.proof.kept(), self.proof.point()) {
            (Some(kept), _) => self.of_proof(CaptureMethod::Taken, kept),
            // The leads were on the point and may be on the battery by now.
            (None, Some(point)) => self.of_sample(CaptureMethod::Taken, &point),
            (None, None) => {
                let mut capture = self.as_it_is(CaptureMethod::Taken, now);
                if self.proof.may_be_on_battery() && self.contact.since().is_some() {
                    capture.judgement.reason += "; taken while a touch of the battery was asked for";
                }
                capture
            }
        };
        self.in_air = self.criteria.mode == CaptureMode::Steady && capture.counts() && self.contact.since().is_none();
        self.proof.cut_short();
        self.taken = Some(capture.clone());
        capture
    }

    /// The operator answers the step's question. None in a step that asks none.
    pub(crate) fn answer(&mut self, now: Mono, answer: YesNo) -> Option<Capture> {
        let judgement = Judgement::answered(answer, self.criteria.answer?);
        let capture = Capture::plain(CaptureMethod::Taken, now, None, judgement);
        self.taken = Some(capture.clone());
        Some(capture)
    }

    /// The capture that the step is judged on when it ends; none where there was nothing to measure. What was measured is kept
    /// also without a limit.
    ///
    /// Captures that are void don't count; where nothing else was captured, the reason says so.
    pub(crate) fn close(&self, now: Mono, void: &[VoidCapture]) -> Option<Capture> {
        let void_of = |capture: &Capture| void.iter().find(|void| void.is(capture));
        let stands = |capture: &&Capture| void_of(capture).is_none();
        let own = || [&self.taken, &self.captured].into_iter().flatten();
        if !own().any(|capture| stands(&capture))
            && let Some(void) = own().find_map(void_of)
        {
            return Some(self.void(void, now));
        }
        let capture = self.standing(now, stands)?;
        Some(match void_of(&capture) {
            Some(void) => self.void(void, now),
            None => capture,
        })
    }

    /// No value, since what was captured is void.
    fn void(&self, void: &VoidCapture, now: Mono) -> Capture {
        let judgement = self.without_value(NotJudged::NoReading, format!("what was captured is void: {}", void.why));
        Capture::plain(void.how, now, self.criteria.channel, judgement)
    }

    fn standing(&self, now: Mono, stands: impl Fn(&&Capture) -> bool) -> Option<Capture> {
        let taken = self.taken.as_ref().filter(|taken| taken.counts()).filter(&stands);
        let capture = taken.or(self.captured.as_ref().filter(&stands)).or(self.taken.as_ref().filter(&stands));
        if let Some(capture) = capture.filter(|_| !self.criteria.mode.is_watch()) {
            return Some(capture.clone());
        }
        if self.criteria.answer.is_some() {
            let judgement = self.without_value(NotJudged::NoReading, "the question was not answered".to_owned());
            return Some(Capture::plain(CaptureMethod::Last, now, None, judgement));
        }
        if !self.is_limited() && (self.last.is_none() || self.criteria.channel.is_none()) {
            return None;
        }
        if let Some(kept) = self.proof.kept().filter(|_| !self.criteria.mode.is_watch()) {
            return Some(self.of_proof(CaptureMethod::Last, kept));
        }
        Some(match self.criteria.mode {
            CaptureMode::Taken => self.as_it_is(CaptureMethod::Last, now),
            CaptureMode::Worst | CaptureMode::Wiggle => match self.worst {
                Some(worst) => {
                    let mut capture = self.of_worst(&worst);
                    if self.before == Some(worst) {
                        capture.judgement.reason += "; seen before the session was cut off";
                    }
                    capture
                }
                None => self.empty_capture(CaptureMethod::Worst, now),
            },
            CaptureMode::Steady => self.empty_capture(CaptureMethod::Steady, now),
        })
    }

    /// Whether there is something to judge by.
    fn is_limited(&self) -> bool {
        self.criteria.limit.is_some() || self.criteria.reference.is_some()
    }

    /// A capture of the present reading, or of the reason why it does not count.
    fn as_it_is(&self, how: CaptureMethod, now: Mono) -> Capture {
        let Some(sample) = self.fresh(now) else { return self.empty_capture(how, now) };
        let loaded = self.criteria.load.since(sample.at);
        let touching = self.contact.since().unwrap_or(self.began);
        if self.unfit(&sample).is_none() && loaded.is_none() {
            return self.refused(how, &sample, NotJudged::NoLoadCurrent, self.criteria.load.missing(sample.at));
        }
        if let Some(why) = self.proof.refuses(&sample).filter(|_| self.unfit(&sample).is_none()) {
            return Capture::plain(
                how,
                now,
                self.criteria.channel,
                self.without_value(NotJudged::NoReading, why.to_owned()),
            );
        }
        let early = loaded.is_some_and(|loaded| sample.at < touching.max(loaded).plus(self.criteria.after));
        if self.unfit(&sample).is_none() && early {
            let reason =
                format!("taken less than {} after the load came on", show_seconds(self.criteria.after.as_secs_f64()));
            return self.refused(how, &sample, NotJudged::NotSettled, reason);
        }
        match self.window.settled(self.coarse()) {
            Some(settled) if self.unfit(&sample).is_none() => self.of_window(how, settled, &sample),
            _ => self.of_sample(how, &sample),
        }
    }

    /// A capture without a value, and why.
    fn empty_capture(&self, how: CaptureMethod, now: Mono) -> Capture {
        // What the display shows on another function says nothing about the leads.
        if let Some((last, unfit)) = self.fresh(now).and_then(|last| Some((last, self.unfit(&last)?))) {
            return Capture::plain(
                how,
                now,
                self.criteria.channel,
                self.without_value(unfit, self.switch_words(&last)),
            );
        }
        let refused = self.last.and_then(|last| self.proof.refuses(&last));
        if let Some(why) = refused {
            return Capture::plain(
                how,
                now,
                self.criteria.channel,
                self.without_value(NotJudged::NoReading, why.to_owned()),
            );
        }
        if let Some(ask) = self.proof.ask() {
            let reason = format!("left while this was asked: {}", ask.text);
            return Capture::plain(how, now, self.criteria.channel, self.without_value(NotJudged::NoReading, reason));
        }
        let why = match (self.last, self.criteria.load.since(now)) {
            (Some(_), None) => NotJudged::NoLoadCurrent,
            (Some(_), Some(_)) if self.contact.since().is_some() => NotJudged::NotSettled,
            _ => NotJudged::NoReading,
        };
        let judgement = self.without_value(why, self.why_not(now));
        Capture::plain(how, now, self.criteria.channel, judgement)
    }
}
