//! Whether the circuit carries the load under which a value counts.

use std::time::Duration;

use super::FRESH_US;
use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    procedure::ConditionRule,
    protocol::Value,
    units::{Dimension, Limit},
};

/// The conditions of one step.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct LoadConditions {
    conditions: Vec<ConditionState>,
}

#[derive(Debug, Clone, PartialEq)]
struct ConditionState {
    rule: ConditionRule,
    /// None while no meter has such a channel.
    channel: Option<ChannelId>,
    /// Since when it holds without a break.
    since: Option<Mono>,
    /// What the channel showed last.
    shown: Option<Sample>,
}

impl LoadConditions {
    /// These conditions, and which channels are meant.
    pub(crate) fn new(rules: &[ConditionRule], named: impl Fn(&str) -> Option<ChannelId>) -> Self {
        let conditions = rules.iter().map(|rule| ConditionState {
            channel: named(&rule.channel),
            rule: rule.clone(),
            since: None,
            shown: None,
        });
        Self { conditions: conditions.collect() }
    }

    /// A channel of this name became known.
    pub(crate) fn channel_found(&mut self, id: ChannelId, name: &str) {
        for condition in self.conditions.iter_mut().filter(|condition| condition.rule.channel == name) {
            condition.channel = Some(id);
        }
    }

    /// One more sample of any channel.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        for condition in self.conditions.iter_mut().filter(|condition| condition.channel == Some(sample.channel)) {
            condition.sample(sample);
        }
    }

    /// The meters of these channels were lost: their last values no longer hold.
    pub(crate) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        for condition in self.conditions.iter_mut().filter(|condition| condition.channel.is_some_and(&gone)) {
            (condition.since, condition.shown) = (None, None);
        }
    }

    /// Since when the load counts; none while it does not. Without conditions it always counts.
    pub(crate) fn since(&self, now: Mono) -> Option<Mono> {
        let mut since = Mono(i64::MIN);
        for condition in &self.conditions {
            since = since.max(condition.since.filter(|_| condition.is_fresh(now))?.plus(condition.rule.held));
        }
        (since <= now).then_some(since)
    }

    /// Since when the load is on, however short; none while it is off, and without conditions.
    pub(crate) fn began(&self) -> Option<Mono> {
        let mut conditions = self.conditions.iter();
        let first = conditions.next()?.since?;
        conditions.try_fold(first, |latest, condition| Some(latest.max(condition.since?)))
    }

    /// Whether there are conditions at all.
    pub(crate) fn is_asked_for(&self) -> bool {
        !self.conditions.is_empty()
    }

    /// A sentence about the load channels that do not show what they should.
    pub(crate) fn missing(&self, now: Mono) -> String {
        let lacking = |condition: &&ConditionState| condition.since.is_none() || !condition.is_fresh(now);
        let missing = self.conditions.iter().filter(lacking).map(|condition| {
            let ConditionRule { channel, limit, .. } = &condition.rule;
            match condition.shown {
                Some(Sample { at, .. }) if !condition.is_fresh(now) => {
                    format!("{channel} has shown nothing for {:.0} s, {limit} wanted", now.since(at) as f64 / 1e6)
                }
                Some(sample) => format!("{channel} showed {}, {limit} wanted", sample.shown(Some(limit))),
                None => format!("{channel} showed nothing, {limit} wanted"),
            }
        });
        let missing: Vec<String> = missing.collect();
        if missing.is_empty() { format!("the load was not on for {}", self.longest_held()) } else { missing.join("; ") }
    }

    fn longest_held(&self) -> String {
        let longest = self.conditions.iter().map(|condition| condition.rule.held).max().unwrap_or(Duration::ZERO);
        format!("{} ms", longest.as_millis())
    }
}

impl ConditionState {
    fn is_fresh(&self, now: Mono) -> bool {
        self.shown.is_none_or(|sample| now.since(sample.at) <= FRESH_US)
    }

    fn sample(&mut self, sample: &Sample) {
        if !self.is_fresh(sample.at) {
            // The load may have been off meanwhile.
            self.since = None;
        }
        self.shown = Some(*sample);
        let slack = if self.since.is_some() { self.rule.hysteresis } else { 0.0 };
        let holds =
            sample.quantity.dimension() == self.rule.limit.dimension && keeps(&self.rule.limit, sample.value, slack);
        match holds {
            true => {
                self.since.get_or_insert(sample.at);
            }
            false => self.since = None,
        }
    }
}

/// Whether a value keeps to a limit that is loosened by a share of itself. A current counts by its size: a clamp that is on
/// backward shows the same load.
fn keeps(limit: &Limit, value: Value, slack: f64) -> bool {
    match value {
        Value::Number(value) => {
            let value = if limit.dimension == Dimension::Ampere { value.abs() } else { value };
            limit.low.is_none_or(|low| value >= low - low.abs() * slack)
                && limit.high.is_none_or(|high| value <= high + high.abs() * slack)
        }
        Value::Over => limit.high.is_none(),
        Value::Under => limit.low.is_none(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::step::tests::amps;

    #[test]
    fn a_load_must_hold_and_may_waver() {
        let rule = ConditionRule {
            channel: "lift coil".to_owned(),
            limit: Limit::at_least("1 A".parse().unwrap()),
            held: Duration::from_micros(2),
            hysteresis: 0.1,
        };
        let mut load = LoadConditions::new(&[rule], |_| Some(ChannelId(1)));
        for (at, value, since) in [
            (0, 0.95, None),
            (1, 1.05, None),
            (2, 1.05, None),
            (3, 0.95, Some(3)),
            (4, 0.95, Some(3)),
            (5, 0.85, None),
            (6, 0.95, None),
            (7, 1.0, None),
            (9, 1.0, Some(9)),
        ] {
            load.sample(&amps(at, value));
            assert_eq!(load.since(Mono(at)), since.map(Mono), "at {at}");
        }
        load.sample(&amps(10, 0.02));
        assert_eq!(load.began(), None);
        assert_eq!(load.missing(Mono(10)), "lift coil showed 0.02 A, at least 1 A wanted");
    }

    /// A clamp that was on backward switched the time limit off.
    #[test]
    fn a_clamp_on_backward_shows_the_same_load() {
        let rule = ConditionRule {
            channel: "lift coil".to_owned(),
            limit: Limit::at_least("1 A".parse().unwrap()),
            held: Duration::ZERO,
            hysteresis: 0.1,
        };
        let mut load = LoadConditions::new(&[rule], |_| Some(ChannelId(1)));
        load.sample(&amps(0, -1.62));
        assert_eq!((load.since(Mono(0)), load.began()), (Some(Mono(0)), Some(Mono(0))));
        load.sample(&amps(1, 0.01));
        assert_eq!(load.since(Mono(1)), None);
    }

    #[test]
    fn a_clamp_that_fell_silent_shows_no_load() {
        let rule = ConditionRule {
            channel: "lift coil".to_owned(),
            limit: Limit::at_least("1 A".parse().unwrap()),
            held: Duration::ZERO,
            hysteresis: 0.1,
        };
        let mut load = LoadConditions::new(&[rule], |_| Some(ChannelId(1)));
        load.sample(&amps(0, 2.0));
        assert_eq!(load.since(Mono(FRESH_US)), Some(Mono(0)));
        assert_eq!(load.since(Mono(FRESH_US + 1)), None);
        assert_eq!(load.missing(Mono(5_000_000)), "lift coil has shown nothing for 5 s, at least 1 A wanted");
        // The load may have been off in between.
        load.sample(&amps(6_000_000, 2.0));
        assert_eq!(load.since(Mono(6_000_000)), Some(Mono(6_000_000)));
    }

    #[test]
    fn without_conditions_it_is_always_loaded() {
        assert_eq!(LoadConditions::default().since(Mono(0)), Some(Mono(i64::MIN)));
        assert_eq!(LoadConditions::default().began(), None);
    }
}
