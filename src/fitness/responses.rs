//! Whether meters are fast enough for what must follow what, and how soon.

use super::{FitnessCheck, Severity, UnknownFact};
use crate::{
    procedure::{ResponseRule, ResponseTrigger, Step, delay_u},
    units::show_duration,
};

/// The expanded uncertainty of a delay may take so much of the time allowed, as that of a value of its limit.
const SHARE: f64 = 1.0 / 3.0;

impl FitnessCheck<'_> {
    /// The delay of a response is as uncertain as the readings lie apart, and a mark by hand.
    pub(super) fn responses(&mut self, step: &Step) {
        for rule in &step.responses {
            let Some(within) = rule.within.map(|within| within.as_secs_f64()) else { continue };
            let Some(own) = self.interval(step, &rule.channel) else { continue };
            let (trigger, is_other) = match &rule.trigger {
                ResponseTrigger::Mark(_) => (None, false),
                ResponseTrigger::Change(name, _) => match self.interval(step, name) {
                    Some(interval) => (Some(interval), !self.is_of_one_meter(name, &rule.channel)),
                    None => continue,
                },
            };
            let expanded = 2.0 * delay_u(trigger, own, is_other);
            let severity = match expanded {
                all if all >= within => Severity::Fails,
                // A mark by hand is meant to be one.
                much if much > SHARE * within && trigger.is_none() => Severity::Note,
                much if much > SHARE * within => Severity::Doubtful,
                _ => continue,
            };
            self.too_slow(step, rule, severity, expanded, (trigger, own, within));
        }
    }

    fn too_slow(
        &mut self,
        step: &Step,
        rule: &ResponseRule,
        severity: Severity,
        expanded: f64,
        (trigger, own, within): (Option<f64>, f64, f64),
    ) {
        let end = match severity {
            Severity::Fails => "no delay can be in limit",
            _ => "delays near the limit will be too close to call",
        };
        let (shown, allowed) = (show_duration(expanded), show_duration(within));
        let what =
            format!("the delay of \"{}\" is known to ± {shown} (k = 2), but {allowed} is allowed: {end}", rule.channel);
        let slower = trigger.unwrap_or(0.0).max(own);
        let remedy = match (trigger, slower > within / 6.0) {
            (_, true) => format!("use a board that sends {:.0} readings a second or more", (12.0 / within).ceil()),
            (None, false) => "follow a channel's own change instead of a mark by hand".to_owned(),
            (Some(_), false) => "put both channels on one board".to_owned(),
        };
        self.add(severity, step, &what, &remedy);
    }

    /// How far a channel's readings lie apart, s; none where that is not known, which is then listed.
    fn interval(&mut self, step: &Step, name: &str) -> Option<f64> {
        let facts = self.named(step, name)?;
        if let Some(rate) = facts.rate {
            return Some(1.0 / rate);
        }
        let what = format!("how often \"{name}\" sends a reading is not known, and with it how sure a delay is");
        self.add_once(name, UnknownFact::Rate, step, &what, "add rate = \"100 Hz\", or what it is, to the meter");
        None
    }

    fn is_of_one_meter(&self, one: &str, other: &str) -> bool {
        let meter = |name: &str| self.bench.channel(name).map(|facts| facts.meter.clone());
        meter(one) == meter(other)
    }
}
