//! Keeps the worst sample of a step and its surge.

use super::StepJudge;
use crate::{
    channel::Sample, procedure::CaptureMode, protocol::Value, session::judge::is_judged_by_size, units::Limit,
};

impl StepJudge {
    /// The worst by a limit that moves is judged at once: later the limit is another.
    pub(super) fn keep_worst(&mut self, sample: &Sample) {
        let limit = self.criteria.limit.as_ref();
        let (Some(reference), CaptureMode::Worst) = (&self.criteria.reference, self.criteria.mode) else {
            return keep_worse(&mut self.worst, sample, limit);
        };
        let depth = limit.map_or(f64::NEG_INFINITY, |limit| excess(limit, sample.value));
        if self.worst_judged.as_ref().is_none_or(|(worst, _)| depth > *worst) {
            let judgement = reference.judge(sample, self.own_gain(sample).as_ref(), self.criteria.rule, false);
            self.worst_judged = Some((depth, judgement));
            self.worst = Some(*sample);
        }
    }

    /// A surge begins with the load, before the load counts. Without contact there is no surge.
    pub(super) fn keep_peak(&mut self, sample: &Sample) {
        if self.contact.since().is_some() && self.unfit(sample).is_none() {
            keep_worse(&mut self.peak, sample, self.criteria.limit.as_ref());
        }
    }

    /// The worst that was seen of this step before the session was cut off.
    pub(crate) fn seen_before(&mut self, sample: &Sample) {
        self.before = Some(*sample);
        keep_worse(&mut self.worst, sample, self.criteria.limit.as_ref());
    }
}

/// Keeps the worse of two samples: the one farther outside or nearer to the limit; without a limit, the larger one.
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

/// How far outside the limit a value is, base units; negative inside.
pub(crate) fn excess(limit: &Limit, value: Value) -> f64 {
    match value {
        Value::Number(value) => {
            let value = if is_judged_by_size(limit) { value.abs() } else { value };
            let below = limit.low.map_or(f64::NEG_INFINITY, |low| low - value);
            let above = limit.high.map_or(f64::NEG_INFINITY, |high| value - high);
            below.max(above)
        }
        Value::Over if limit.high.is_some() => f64::INFINITY,
        Value::Under if limit.low.is_some() => f64::INFINITY,
        Value::Over | Value::Under => f64::NEG_INFINITY,
    }
}
