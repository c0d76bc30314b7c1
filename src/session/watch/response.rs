//! Whether a channel does what it must after a mark or a change of another channel, and how soon.

use std::collections::VecDeque;

use super::change::LevelChange;
use crate::{
    clock::{Mono, micros},
    electrics::{Decision, DecisionRule, median},
    procedure::{ChangeDirection, HAND_S, PORT_S, RequiredMove, ResponseRule, ResponseTrigger},
    protocol::Value,
    session::{
        Judgement, Verdict,
        judge::{NotJudged, Outcome, compare},
    },
    units::{Dimension, Limit, Quantity, ValueFormat, show_duration},
};

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
/// A level is back, or has held, within this share of itself: common practice, no source.
const SAME: f64 = 0.05;
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

    /// What became of a trigger, and the change that decided it.
    fn outcome(
        &self,
        trigger: &WaitingTrigger,
        own: &VecDeque<LevelChange>,
        is_over: bool,
        channel: RespondingChannel,
    ) -> Option<(Judgement, Option<LevelChange>)> {
        let quantity = channel.quantity.unwrap_or(Quantity::Number);
        let wanted = |change: &LevelChange| self.rule.to.is_none_or(|to| keeps(&to, change.to));
        match (self.rule.must, own.front(), own.back()) {
            (RequiredMove::Go, Some(first), Some(last)) => {
                let done = own.iter().find(|change| wanted(change));
                match done {
                    Some(done) => Some((self.moved(trigger, first, done, quantity, channel), Some(*done))),
                    None if is_over => {
                        let to = self.rule.to.expect("what is wanted is something where it was not reached");
                        let text = format!("{}, {to} wanted", self.went(trigger, last, quantity));
                        Some((compared(last.to, &to, quantity, text), Some(*last)))
                    }
                    None => None,
                }
            }
            (RequiredMove::Hold, Some(first), _) => {
                let text = format!("{}; it must hold", self.went(trigger, first, quantity));
                let limit = about(first.from, quantity);
                Some((compared(first.to, &limit, quantity, text), Some(*first)))
            }
            (RequiredMove::ComeBack, Some(first), Some(last)) if own.len() > 1 || is_over => {
                let limit = self.rule.to.unwrap_or_else(|| about(first.from, quantity));
                match keeps(&limit, last.to) {
                    true => Some((self.in_time(trigger, last, quantity, channel), Some(*last))),
                    false if is_over => {
                        let text = format!("{}, and did not come back", self.went(trigger, last, quantity));
                        Some((compared(last.to, &limit, quantity, text), Some(*last)))
                    }
                    false => None,
                }
            }
            (_, None, _) if is_over => Some((self.still(channel), None)),
            _ => None,
        }
    }

    /// Nothing moved.
    fn still(&self, channel: RespondingChannel) -> Judgement {
        let name = &self.rule.channel;
        let (Some(level), Some(quantity)) = (channel.level, channel.quantity) else {
            let outcome =
                Outcome::NoValue { why: NotJudged::NoReading, quantity: channel.quantity, limit: self.rule.to };
            return Judgement {
                outcome,
                digit: None,
                reason: format!("{name} showed nothing after {}", self.rule.trigger),
            };
        };
        let shown = ValueFormat::new(quantity, channel.digit, None).show(level);
        match self.rule.must {
            RequiredMove::Go => {
                let limit = self.rule.to.unwrap_or(Limit { low: None, high: None, dimension: quantity.dimension() });
                let (number, decision, u) = (level, Decision::Outside, None);
                let outcome = Outcome::Compared { decision, number, shown: None, u, quantity, limit };
                let wanted = self.rule.to.map_or(String::new(), |to| format!(", {to} wanted"));
                let reason = format!("{name} did not move after {}: it stayed at {shown}{wanted}", self.rule.trigger);
                Judgement { outcome, digit: channel.digit, reason }
            }
            RequiredMove::Hold | RequiredMove::ComeBack => {
                let limit = about(level, quantity);
                let reason = format!("{name} held at {shown} after {}", self.rule.trigger);
                let (number, decision, u) = (level, Decision::Within, None);
                Judgement {
                    outcome: Outcome::Compared { decision, number, shown: None, u, quantity, limit },
                    digit: channel.digit,
                    reason,
                }
            }
        }
    }

    /// It went where it must: from where, and was it in time?
    fn moved(
        &self,
        trigger: &WaitingTrigger,
        first: &LevelChange,
        done: &LevelChange,
        quantity: Quantity,
        channel: RespondingChannel,
    ) -> Judgement {
        match self.rule.from {
            Some(from) if !keeps(&from, first.from) => {
                let text = format!("{}; {from} wanted before", self.went(trigger, done, quantity));
                compared(first.from, &from, quantity, text)
            }
            _ => self.in_time(trigger, done, quantity, channel),
        }
    }

    fn in_time(
        &self,
        trigger: &WaitingTrigger,
        done: &LevelChange,
        quantity: Quantity,
        channel: RespondingChannel,
    ) -> Judgement {
        let went = self.went(trigger, done, quantity);
        let Some(within) = self.rule.within else {
            let limit = self.rule.to.unwrap_or(Limit { low: None, high: None, dimension: quantity.dimension() });
            let outcome = Outcome::Compared {
                decision: Decision::Within,
                number: done.to,
                shown: None,
                u: None,
                quantity,
                limit,
            };
            return Judgement { outcome, digit: None, reason: went };
        };
        let limit = Limit { low: None, high: Some(within.as_secs_f64()), dimension: Dimension::Second };
        let delay = done.at.since(trigger.at) as f64 / 1e6;
        let u = self.delay_u(trigger, done);
        let mut judgement = judged_number(&limit, delay, Quantity::Time, Some(u));
        judgement.reason = format!("{went}, at most {} wanted", show_duration(within.as_secs_f64()));
        if judgement.verdict() == Some(Verdict::TooCloseToCall) {
            judgement.reason += &format!("; too close to call: {}", self.limited_by(trigger, done, channel.meter));
        }
        judgement
    }

    /// What the uncertainty of a delay comes from most.
    fn limited_by(&self, trigger: &WaitingTrigger, done: &LevelChange, meter: &str) -> String {
        let interval_us = done.interval_us;
        let (own, jitter) = (interval_u(interval_us), done.jitter_us as f64 / 1e6);
        if jitter > own.max(trigger.u) {
            return format!("{meter}'s readings are dated to {}", show_duration(2.0 * jitter));
        }
        let is_mark = matches!(self.rule.trigger, ResponseTrigger::Mark(_));
        if trigger.u > own && is_mark {
            return format!("a mark by hand is good to {}", show_duration(HAND_S));
        }
        if !is_mark && self.other_meter && PORT_S / 3f64.sqrt() > own.max(trigger.u) {
            return format!("two ports are stamped to {}", show_duration(PORT_S));
        }
        let rate = 1e6 / interval_us.max(1) as f64;
        let rate = if rate < 9.95 { format!("{rate:.1}") } else { format!("{rate:.0}") };
        format!("{meter} sends {} readings a second", rate.trim_end_matches(".0"))
    }

    /// Standard uncertainty of a delay, s: both ends lie anywhere between two samples (rectangular, JCGM 100 4.3.7), as well as
    /// those are dated, and a mark within a reaction time; clocks count where they differ.
    fn delay_u(&self, trigger: &WaitingTrigger, done: &LevelChange) -> f64 {
        let port = if self.other_meter { PORT_S / 3f64.sqrt() } else { 0.0 };
        trigger.u.hypot(interval_u(done.interval_us)).hypot(port).hypot(done.jitter_us as f64 / 1e6)
    }

    fn went(&self, trigger: &WaitingTrigger, change: &LevelChange, quantity: Quantity) -> String {
        let delay = show_duration(change.at.since(trigger.at) as f64 / 1e6);
        let verb = if change.to < change.from { "fell" } else { "rose" };
        let (from, to) = change.levels(quantity);
        format!("{} {verb} from {from} to {to}, {delay} after {}", self.rule.channel, self.rule.trigger)
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

/// How bad a judgement is beside others: by its verdict, then by its number.
pub(super) fn badness(judgement: &Judgement) -> (u8, f64) {
    let rank = match judgement.verdict() {
        Some(Verdict::OutOfLimit) => 3,
        Some(Verdict::TooCloseToCall) => 2,
        None | Some(Verdict::InLimit) => 0,
        Some(_) => 1,
    };
    let number = match judgement.outcome {
        Outcome::Compared { number, quantity: Quantity::Time, .. } => number,
        _ => 0.0,
    };
    (rank, number)
}

fn interval_u(interval_us: i64) -> f64 {
    interval_us as f64 / 1e6 / 12f64.sqrt()
}

/// A number that no channel shows against its limit, for a reason to be given.
pub(super) fn judged_number(limit: &Limit, number: f64, quantity: Quantity, u: Option<f64>) -> Judgement {
    let decision = compare(limit, Value::Number(number), u, DecisionRule::Guarded);
    let outcome = Outcome::Compared { decision, number, shown: None, u, quantity, limit: *limit };
    Judgement { outcome, digit: None, reason: String::new() }
}

fn keeps(limit: &Limit, value: f64) -> bool {
    limit.low.is_none_or(|low| value >= low) && limit.high.is_none_or(|high| value <= high)
}

/// The same level, with what it may waver.
fn about(level: f64, quantity: Quantity) -> Limit {
    let room = SAME * level.abs();
    Limit { low: Some(level - room), high: Some(level + room), dimension: quantity.dimension() }
}

fn compared(number: f64, limit: &Limit, quantity: Quantity, reason: String) -> Judgement {
    let decision = Decision::Outside;
    Judgement {
        outcome: Outcome::Compared { decision, number, shown: None, u: None, quantity, limit: *limit },
        digit: None,
        reason,
    }
}
