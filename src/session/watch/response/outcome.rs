//! What became of a trigger: whether a channel did what it must, and in time.

use std::collections::VecDeque;

use super::{LevelChange, RespondingChannel, ResponseWatch, WaitingTrigger, interval_u};
use crate::{
    electrics::{Decision, DecisionRule},
    procedure::{HAND_S, PORT_S, RequiredMove, ResponseTrigger},
    protocol::Value,
    session::{
        Judgement, Verdict,
        judge::{NotJudged, Outcome, compare},
    },
    units::{Dimension, Limit, Quantity, ValueFormat, show_duration},
};

/// A level is back, or has held, within this share of itself: common practice, no source.
const SAME: f64 = 0.05;

impl ResponseWatch {
    /// What became of a trigger, and the change that decided it.
    pub(super) fn outcome(
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
            return format!("the times of {meter}'s readings are good to {}", show_duration(2.0 * jitter));
        }
        let is_mark = matches!(self.rule.trigger, ResponseTrigger::Mark(_));
        if trigger.u > own && is_mark {
            return format!("a mark by hand is good to {}", show_duration(HAND_S));
        }
        if !is_mark && self.other_meter && PORT_S / 3f64.sqrt() > own.max(trigger.u) {
            return format!("times of two ports agree to {}", show_duration(PORT_S));
        }
        let rate = 1e6 / interval_us.max(1) as f64;
        let rate = if rate < 9.95 { format!("{rate:.1}") } else { format!("{rate:.0}") };
        format!("{meter} sends {} readings a second", rate.trim_end_matches(".0"))
    }

    /// Standard uncertainty of a delay, s: both ends lie anywhere between two samples (rectangular, JCGM 100 4.3.7), as well as
    /// those are dated, and a mark within a reaction time; clocks count where they differ.
    pub(super) fn delay_u(&self, trigger: &WaitingTrigger, done: &LevelChange) -> f64 {
        let port = if self.other_meter { PORT_S / 3f64.sqrt() } else { 0.0 };
        trigger.u.hypot(interval_u(done.interval_us)).hypot(port).hypot(done.jitter_us as f64 / 1e6)
    }

    fn went(&self, trigger: &WaitingTrigger, change: &LevelChange, quantity: Quantity) -> String {
        let delay = show_duration(change.at.since(trigger.at) as f64 / 1e6);
        let verb = if change.to < change.from { "fell" } else { "rose" };
        let (from, to) = change.levels(quantity);
        format!("{} {verb} from {from} to {to}, {delay} after {}", self.rule.channel, self.rule.trigger)
    }
}

/// How bad a judgement is beside others: by its verdict, then by its number.
pub(in super::super) fn badness(judgement: &Judgement) -> (u8, f64) {
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

/// A number that no channel shows against its limit, for a reason to be given.
pub(in super::super) fn judged_number(limit: &Limit, number: f64, quantity: Quantity, u: Option<f64>) -> Judgement {
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
