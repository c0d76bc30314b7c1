//! What a step captured, put together: value, uncertainty, verdict and the sentence.

use super::{StepJudge, excess};
use crate::{
    channel::Sample,
    electrics::Uncertain,
    protocol::Value,
    session::judge::{Capture, How, Judgement, Settled, Verdict, beyond_range::BeyondRange, judge},
    units::{Limit, Quantity, show},
};

impl StepJudge {
    /// A capture of the mean over the window: repetition and meter together (JCGM 100:2008, 5.1.2).
    pub(super) fn of_window(&self, how: How, settled: Settled, last: &Sample) -> Capture {
        let u = match (last.u, settled.count) {
            (Some(meter), _) => Some(meter.hypot(settled.repeatability())),
            // One reading of an unknown meter tells nothing about its uncertainty.
            (None, 0 | 1) => None,
            (None, _) => Some(settled.repeatability()),
        };
        let sample = Sample { at: settled.at, value: Value::Number(settled.value), u, ..*last };
        Capture { settled: Some(settled), ..self.of_sample(how, &sample) }
    }

    pub(super) fn of_sample(&self, how: How, sample: &Sample) -> Capture {
        let mut judgement = self.judgement(sample);
        let peak = self.peak.map(|peak| peak.value);
        if let (Some(limit), Some(Value::Number(peak)), Some(Verdict::Within)) =
            (&self.criteria.limit, peak, judgement.verdict)
            && excess(limit, Value::Number(peak)) > 0.0
        {
            judgement.reason += &format!("; it reached {} before it settled", show(peak, sample.quantity));
        }
        Capture { how, at: sample.at, channel: Some(sample.channel), judgement, settled: None, peak }
    }

    fn judgement(&self, sample: &Sample) -> Judgement {
        if let Some(verdict) = self.unfit(sample) {
            return self.with_value(sample, verdict, self.switch_words(sample));
        }
        if let Some(beyond) = BeyondRange::of(sample, self.criteria.reach) {
            return beyond.judge(self.criteria.limit.as_ref(), self.criteria.rule);
        }
        let Some(limit) = self.criteria.limit else { return Judgement::recorded(sample) };
        let (Some(heat), Value::Number(value)) = (&self.criteria.heat, sample.value) else {
            let mut judged = judge(&limit, sample.value, sample.quantity, sample.u, self.criteria.rule);
            if judged.verdict != Some(Verdict::Within) && self.may_be_an_average(sample, &limit) {
                judged.reason += "; a driver that switches on and off fast shows its average here";
            }
            return judged;
        };
        if let Some((corrected, words)) = heat.corrected(Uncertain::new(value, sample.u.unwrap_or(0.0))) {
            let u = sample.u.map(|_| corrected.u);
            let judged = judge(&limit, Value::Number(corrected.value), sample.quantity, u, self.criteria.rule);
            return Judgement { measured: Some(value), reason: format!("{words}; {}", judged.reason), ..judged };
        }
        let mut judged = judge(&limit, sample.value, sample.quantity, sample.u, self.criteria.rule);
        if judged.verdict != Some(Verdict::Within)
            && let Some(words) = heat.explains(value, &limit)
        {
            judged.reason += &format!("; {words}");
        }
        judged
    }

    /// Too few amps of a coil that is held on, which a driver that saves heat would explain.
    fn may_be_an_average(&self, sample: &Sample, limit: &Limit) -> bool {
        let is_low =
            matches!(sample.value, Value::Number(value) if limit.low.is_some_and(|low| value.abs() < low.abs()));
        is_low && sample.quantity == Quantity::AmpsDc && self.criteria.hold_at_most.is_some()
    }

    pub(super) fn refused(&self, how: How, sample: &Sample, verdict: Verdict, reason: String) -> Capture {
        let judgement = self.with_value(sample, verdict, reason);
        Capture { how, at: sample.at, channel: Some(sample.channel), judgement, settled: None, peak: None }
    }

    fn with_value(&self, sample: &Sample, verdict: Verdict, reason: String) -> Judgement {
        let empty = self.without_value(verdict, reason);
        Judgement { value: Some(sample.value), quantity: Some(sample.quantity), u: sample.u, ..empty }
    }

    pub(super) fn without_value(&self, verdict: Verdict, reason: String) -> Judgement {
        Judgement {
            verdict: Some(verdict),
            value: None,
            measured: None,
            quantity: self.criteria.quantity,
            u: None,
            limit: self.criteria.limit,
            conformity: None,
            reason,
        }
    }
}
