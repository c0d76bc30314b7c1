//! What the steps of a session captured last: what limits of other steps refer to.

use std::collections::HashMap;

use super::{
    Judgement,
    findings::SharedGainError,
    judge::{NotJudged, Outcome, ReferredValue, Verdict},
};
use crate::{channel::Channel, electrics::Uncertain, protocol::Value, units::ValueFormat};

/// By step name.
#[derive(Debug, Default)]
pub(super) struct CapturedValues {
    by_step: HashMap<String, LastCapture>,
}

#[derive(Debug)]
struct LastCapture {
    referred: Result<ReferredValue, String>,
    /// Whether it was in or out of limit, and the value in words; none where that was not decided.
    decided: Option<(Verdict, String)>,
}

impl CapturedValues {
    /// Keeps the judgement that a step ended with. `channel` is where it was measured, where that is still known. A value
    /// stands until there is another: a repeat that was left without one replaces nothing.
    pub(super) fn insert(&mut self, step: &str, judgement: &Judgement, channel: Option<&Channel>) {
        let referred = referred_value(step, judgement, channel);
        if referred.is_err() && self.by_step.get(step).is_some_and(|before| before.referred.is_ok()) {
            return;
        }
        self.by_step.insert(step.to_owned(), LastCapture { referred, decided: decided(judgement) });
    }

    /// What a step captured, or a sentence that says why there is nothing and what to do.
    pub(super) fn referred_value(&self, step: &str) -> Result<ReferredValue, String> {
        self.by_step.get(step).map(|last| last.referred.clone()).unwrap_or_else(|| {
            Err(format!("the limit refers to step \"{step}\", which has not been done: do it, then this one again"))
        })
    }

    /// What is to be said of a step that was in limit and is out of it when repeated, or the other way round.
    pub(super) fn contradiction(&self, step: &str, judgement: &Judgement) -> Option<String> {
        let (before, value) = self.by_step.get(step)?.decided.as_ref()?;
        let (now, _) = decided(judgement)?;
        (now != *before).then(|| {
            format!(
                "the attempt before was {}, {value}: unless something was changed in between, it comes and goes; measure a third time",
                before.word()
            )
        })
    }
}

fn decided(judgement: &Judgement) -> Option<(Verdict, String)> {
    let verdict = judgement.verdict().filter(|verdict| matches!(verdict, Verdict::InLimit | Verdict::OutOfLimit))?;
    let shown = judgement.as_shown();
    let value = match (shown.value(), shown.quantity(), shown.answer()) {
        (Some(value), Some(quantity), _) => {
            value.shown(ValueFormat::new(quantity, shown.digit, shown.limit().as_ref()))
        }
        (_, _, Some(answer)) => answer.word().to_owned(),
        _ => return None,
    };
    Some((verdict, value))
}

fn referred_value(step: &str, judgement: &Judgement, channel: Option<&Channel>) -> Result<ReferredValue, String> {
    let shown = judgement.as_shown();
    let counts = match shown.outcome {
        Outcome::NotCounted { why, .. } => why == NotJudged::NoReference,
        _ => true,
    };
    match (shown.value(), shown.quantity()) {
        (Some(Value::Number(value)), Some(quantity)) if counts => Ok(ReferredValue {
            value: Uncertain::new(value, shown.u().unwrap_or(0.0)),
            quantity,
            gain: channel.and_then(|channel| SharedGainError::of_channel(channel, quantity, value)),
        }),
        _ => {
            let why = match shown.verdict() {
                Some(verdict) if !counts || shown.value().is_none() => verdict.word(),
                _ => "beyond the meter's range",
            };
            Err(format!("the limit refers to step \"{step}\", which has no number ({why}): do it again, then this one"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::Sample,
        electrics::DecisionRule,
        session::judge::judge,
        units::{Dimension, Limit, Quantity},
    };

    fn judged(volts: f64) -> Judgement {
        let limit = Limit { low: None, high: Some(0.1), dimension: Dimension::Volt };
        let sample = Sample { u: Some(0.001), digit: Some(0.001), ..crate::session::judge::tests::volts(0, volts) };
        judge(&limit, &sample, DecisionRule::Guarded)
    }

    #[test]
    fn a_repeat_without_a_value_replaces_nothing_and_one_that_contradicts_is_told() {
        let mut captured = CapturedValues::default();
        captured.insert("lift ground", &judged(0.341), None);
        let nothing = Judgement {
            outcome: Outcome::NotCounted {
                why: NotJudged::NoReading,
                value: Value::Number(0.0),
                u: None,
                quantity: Quantity::VoltsDc,
                limit: None,
            },
            digit: None,
            reason: String::new(),
        };
        captured.insert("lift ground", &nothing, None);
        assert_eq!(captured.referred_value("lift ground").map(|referred| referred.value.value), Ok(0.341));
        assert_eq!(captured.contradiction("lift ground", &judged(0.35)), None);
        assert_eq!(captured.contradiction("lift ground", &nothing), None);
        let words = captured.contradiction("lift ground", &judged(0.05)).unwrap();
        assert!(words.starts_with("the attempt before was out of limit, 341 mV"), "{words}");
        captured.insert("lift ground", &judged(0.05), None);
        assert_eq!(captured.contradiction("lift ground", &judged(0.05)), None);
    }
}
