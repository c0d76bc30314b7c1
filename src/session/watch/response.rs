//! Whether a channel does what it must after a mark or a change of another channel, and how soon. What became of one trigger
//! stands in `outcome`.

mod outcome;

use std::collections::VecDeque;

use super::change::LevelChange;
use crate::{
    clock::{Mono, micros},
    electrics::median,
    procedure::{ChangeDirection, HAND_S, RequiredMove, ResponseRule, ResponseTrigger},
    session::{
        Judgement, Verdict,
        judge::{NotJudged, Outcome},
    },
    units::{Quantity, show_duration},
};
pub(super) use outcome::{badness, judged_number};

/// A channel that is to respond is waited for so much longer than it may take.
const WAIT_TIMES: i64 = 3;
const WAIT_US: i64 = 1_000_000;
/// The same where the time does not matter, µs.
const WAIT_ANY_US: i64 = 2_000_000;
/// How long a channel must hold where the rule does not say, µs.
const HOLD_US: i64 = 1_000_000;
/// A change is known so long after it, beside some sample intervals, µs.
const SETTLE_US: i64 = 400_000;
const SETTLE_INTERVALS: i64 = 6;
/// Triggers and changes that wait for each other.
const WAITING: usize = 16;

/// What a channel did after a mark or a change.
#[derive(Debug, Clone, PartialEq)]
pub struct TimedResponse {
    /// step.number
    pub step: u32,
    /// Counted from 1 over the step.
    pub number: u32,
    /// Which of the step's rules, in words.
    pub rule: String,
    /// The channel that was to respond.
    pub channel: String,
    /// What it measures; none where it showed nothing.
    pub quantity: Option<Quantity>,
    /// When the mark or change was.
    pub at: Mono,
    /// How long after it the channel was halfway, s; none where it did not move.
    pub delay: Option<f64>,
    /// Standard uncertainty of the delay, s.
    pub u: Option<f64>,
    /// What it showed before and after; none where it did not move.
    pub levels: Option<(f64, f64)>,
    /// From 10 % to 90 % of the way, s; none where it did not move.
    pub lasted: Option<f64>,
    /// Its judgement.
    pub judgement: Judgement,
}

/// A channel as a rule needs to know it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RespondingChannel<'a> {
    pub(super) quantity: Option<Quantity>,
    /// What it shows now, base units; none while that is not known.
    pub(super) level: Option<f64>,
    /// What the last digit of that is worth; none where it is not known.
    pub(super) digit: Option<f64>,
    pub(super) interval_us: i64,
    /// The name of its meter.
    pub(super) meter: &'a str,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct WaitingTrigger {
    at: Mono,
    /// Standard uncertainty of its time, s, and how far a response may seem to precede it, µs.
    u: f64,
    slack_us: i64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct KnownChange {
    change: LevelChange,
    is_used: bool,
}

/// One rule of a step: what waits, and what came of it.
#[derive(Debug, Clone)]
pub(super) struct ResponseWatch {
    pub(super) rule: ResponseRule,
    /// Whether trigger and response come from different meters.
    pub(super) other_meter: bool,
    waiting: VecDeque<WaitingTrigger>,
    /// Whether a trigger or a change came since it was last looked at.
    is_new: bool,
    changes: VecDeque<KnownChange>,
    /// The delays so far, s.
    delays: Vec<f64>,
    count: u32,
    good: u32,
    worst: Option<Judgement>,
}

impl ResponseWatch {
    pub(super) fn new(rule: ResponseRule) -> Self {
        Self {
            rule,
            other_meter: false,
            waiting: VecDeque::with_capacity(WAITING),
            is_new: false,
            changes: VecDeque::with_capacity(WAITING),
            delays: Vec::new(),
            count: 0,
            good: 0,
            worst: None,
        }
    }

    /// Whether a trigger waits for its response.
    pub(super) fn is_waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// The operator marked a moment.
    pub(super) fn mark(&mut self, at: Mono, text: &str) {
        let ResponseTrigger::Mark(wanted) = &self.rule.trigger else { return };
        if wanted.is_empty() || wanted.trim().eq_ignore_ascii_case(text.trim()) {
            self.wait(WaitingTrigger { at, u: HAND_S / 3f64.sqrt(), slack_us: (HAND_S * 1e6) as i64 });
        }
    }

    /// A channel of this name changed.
    pub(super) fn change(&mut self, channel: &str, change: LevelChange) {
        if let ResponseTrigger::Change(name, direction) = &self.rule.trigger
            && name == channel
            && direction.is_none_or(|direction| (direction == ChangeDirection::Up) == (change.to > change.from))
        {
            let u = interval_u(change.interval_us).hypot(change.jitter_us as f64 / 1e6);
            let slack_us = 2 * change.interval_us;
            self.wait(WaitingTrigger { at: change.at, u, slack_us });
        }
        if self.rule.channel == channel {
            if self.changes.len() == WAITING {
                self.changes.pop_front();
            }
            self.changes.push_back(KnownChange { change, is_used: false });
            self.is_new = true;
        }
    }

    fn wait(&mut self, trigger: WaitingTrigger) {
        if self.waiting.len() < WAITING {
            self.waiting.push_back(trigger);
            self.is_new = true;
        }
    }

    /// The next response that is decided; none while all that wait may still be answered. At the end of the step, `now` is
    /// none and nothing waits longer.
    pub(super) fn decided(&mut self, now: Option<Mono>, channel: RespondingChannel) -> Option<TimedResponse> {
        let trigger = *self.waiting.front()?;
        let slack_us = trigger.slack_us + channel.interval_us;
        let mut window = match (self.rule.must, self.rule.within.map(micros)) {
            (RequiredMove::Hold, within) => within.unwrap_or(HOLD_US),
            (_, Some(within)) => within.saturating_mul(WAIT_TIMES).max(within.saturating_add(WAIT_US)),
            (_, None) => WAIT_ANY_US,
        };
        if let Some(next) = self.waiting.get(1) {
            // What comes after the next trigger is the response to that one.
            window = window.min(next.at.since(trigger.at) - next.slack_us - channel.interval_us).max(0);
        }
        let is_own = |known: &KnownChange| {
            let after = known.change.at.since(trigger.at);
            !known.is_used && after >= -slack_us && after <= window
        };
        let settle = SETTLE_US + SETTLE_INTERVALS * channel.interval_us;
        let is_over = now.is_none_or(|now| now.since(trigger.at) > window.saturating_add(settle));
        if !is_over && !std::mem::take(&mut self.is_new) {
            return None;
        }
        let own: VecDeque<LevelChange> =
            self.changes.iter().filter(|known| is_own(known)).map(|known| known.change).collect();
        let (judgement, decisive) = self.outcome(&trigger, &own, is_over, channel)?;
        for known in self.changes.iter_mut() {
            if own.contains(&known.change) {
                known.is_used = true;
            }
        }
        self.waiting.pop_front();
        self.is_new = true;
        Some(self.response(&trigger, judgement, decisive, channel))
    }

    fn response(
        &mut self,
        trigger: &WaitingTrigger,
        judgement: Judgement,
        decisive: Option<LevelChange>,
        channel: RespondingChannel,
    ) -> TimedResponse {
        self.count += 1;
        self.good += u32::from(judgement.verdict() == Some(Verdict::InLimit));
        let delay = decisive.map(|change| change.at.since(trigger.at) as f64 / 1e6);
        self.delays.extend(delay);
        if self.worst.as_ref().is_none_or(|worst| badness(&judgement) > badness(worst)) {
            self.worst = Some(judgement.clone());
        }
        TimedResponse {
            step: 0,
            number: 0,
            rule: self.rule.to_string(),
            channel: self.rule.channel.clone(),
            quantity: channel.quantity,
            at: trigger.at,
            delay,
            u: decisive.map(|change| self.delay_u(trigger, &change)),
            levels: decisive.map(|change| (change.from, change.to)),
            lasted: decisive.map(|change| change.lasted_us as f64 / 1e6),
            judgement,
        }
    }

    /// The worst judgement with how many there were; none in limit where nothing triggered it.
    pub(super) fn judged(&self) -> Judgement {
        let Some(mut worst) = self.worst.clone() else {
            let outcome = Outcome::NoValue { why: NotJudged::NoReading, quantity: None, limit: None };
            return Judgement { outcome, digit: None, reason: format!("no {} was seen", self.rule.trigger) };
        };
        if self.count > 1 {
            worst.reason += &format!("; {} of {} in limit", self.good, self.count);
            if let (Some(middle), Some(longest)) = (median(&self.delays), self.delays.iter().copied().reduce(f64::max))
            {
                let (middle, longest) = (show_duration(middle), show_duration(longest));
                worst.reason += &format!(", median {middle}, longest {longest}");
            }
        }
        worst
    }
}

fn interval_u(interval_us: i64) -> f64 {
    interval_us as f64 / 1e6 / 12f64.sqrt()
}
