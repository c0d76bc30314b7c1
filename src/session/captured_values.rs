//! What the steps of a session captured last: what limits of other steps refer to.

use std::collections::HashMap;

use super::{
    Judgement,
    findings::SharedGainError,
    judge::{NotJudged, Outcome, ReferenceReading},
};
use crate::{channel::Channel, electrics::Uncertain, protocol::Value};

/// By step name.
#[derive(Debug, Default)]
pub(super) struct CapturedValues {
    by_step: HashMap<String, Result<ReferenceReading, String>>,
}

impl CapturedValues {
    /// Keeps the judgement that a step ended with. `channel` is where it was measured, where that is still known.
    pub(super) fn keep(&mut self, step: &str, judgement: &Judgement, channel: Option<&Channel>) {
        self.by_step.insert(step.to_owned(), reading(step, judgement, channel));
    }

    /// What a step captured, or a sentence that says why there is nothing and what to do.
    pub(super) fn reading(&self, step: &str) -> Result<ReferenceReading, String> {
        self.by_step.get(step).cloned().unwrap_or_else(|| {
            Err(format!("the limit refers to step \"{step}\", which has not been done: do it, then this one again"))
        })
    }
}

fn reading(step: &str, judgement: &Judgement, channel: Option<&Channel>) -> Result<ReferenceReading, String> {
    let shown = judgement.as_shown();
    let counts = match shown.outcome {
        Outcome::NotCounted { why, .. } => why == NotJudged::NoReference,
        _ => true,
    };
    match (shown.value(), shown.quantity()) {
        (Some(Value::Number(value)), Some(quantity)) if counts => Ok(ReferenceReading {
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
