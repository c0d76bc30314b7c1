//! One step as it runs: which samples count, and what is said when it is left.

use super::{Capture, How, Judgement, Verdict, compare, judge};
use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    electrics::Rule,
    protocol::{Annunciators, Value},
    session::procedure::CaptureMode,
    units::{Limit, Quantity},
};

/// A reading older than this says nothing about now.
const FRESH_US: i64 = 3_000_000;

/// What a step looks at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// Where; none while no meter has a channel of that name.
    pub channel: Option<ChannelId>,
    /// What the meter must be switched to; none where anything will do.
    pub quantity: Option<Quantity>,
    /// What the value must keep to; none for a step that is only recorded.
    pub limit: Option<Limit>,
    /// How the uncertainty enters.
    pub rule: Rule,
    /// Which value counts.
    pub mode: CaptureMode,
}

/// Judges the samples of one step.
#[derive(Debug, Clone)]
pub struct StepJudge {
    /// What the step looks at.
    pub aim: Aim,
    /// The newest sample on the aimed channel.
    last: Option<Sample>,
    /// The sample that was deepest outside, or nearest to it.
    worst: Option<Sample>,
    /// The newest capture by the operator's word.
    taken: Option<Capture>,
}

impl StepJudge {
    /// A step that just began.
    pub fn new(aim: Aim) -> Self {
        Self { aim, last: None, worst: None, taken: None }
    }

    /// One more sample of any channel; the verdict on it alone, where there is something to judge.
    pub fn sample(&mut self, sample: &Sample) -> Option<Verdict> {
        if Some(sample.channel) != self.aim.channel {
            return None;
        }
        self.last = Some(*sample);
        let verdict = self.unfit(sample).or_else(|| {
            let limit = self.aim.limit.as_ref().filter(|limit| limit.dimension == sample.quantity.dimension())?;
            Some(compare(limit, sample.value, sample.u, self.aim.rule))
        });
        if !matches!(verdict, Some(Verdict::WrongFunction | Verdict::HeldDisplay)) && self.is_worse(sample) {
            self.worst = Some(*sample);
        }
        verdict
    }

    /// The meter went away: what it said last is no longer now.
    pub fn lost(&mut self) {
        self.last = None;
    }

    /// Whether there is a reading of now to take.
    pub fn has_reading(&self, now: Mono) -> bool {
        self.fresh(now).is_some()
    }

    /// The operator's word: this reading counts.
    pub fn take(&mut self, now: Mono) -> Capture {
        let capture = self.capture(How::Taken, now, self.fresh(now));
        self.taken = Some(capture.clone());
        capture
    }

    /// What the step is judged on when it is left; none for a step that looks at nothing.
    pub fn close(&self, now: Mono) -> Option<Capture> {
        if self.aim.limit.is_none() && self.taken.is_none() {
            return None;
        }
        Some(match (self.aim.mode, &self.taken) {
            (CaptureMode::Worst, _) => self.capture(How::Worst, now, self.worst),
            (CaptureMode::Taken, Some(taken)) => taken.clone(),
            (CaptureMode::Taken, None) => self.capture(How::Last, now, self.fresh(now)),
        })
    }

    fn fresh(&self, now: Mono) -> Option<Sample> {
        self.last.filter(|sample| now.since(sample.at) <= FRESH_US)
    }

    /// Why a sample can't be judged whatever its value, where that is so.
    fn unfit(&self, sample: &Sample) -> Option<Verdict> {
        match self.aim.quantity {
            Some(wanted) if wanted != sample.quantity => Some(Verdict::WrongFunction),
            _ if sample.annunciators.contains(Annunciators::HOLD) => Some(Verdict::HeldDisplay),
            _ => None,
        }
    }

    fn is_worse(&self, sample: &Sample) -> bool {
        match (&self.aim.limit, &self.worst) {
            (Some(limit), Some(worst)) => excess(limit, sample.value) > excess(limit, worst.value),
            _ => true,
        }
    }

    fn capture(&self, how: How, now: Mono, sample: Option<Sample>) -> Capture {
        let Some(sample) = sample else {
            let reason = match (self.aim.channel, how) {
                (None, _) => "no meter on the bench has this step's channel".to_owned(),
                (Some(_), How::Worst) => "no reading came during the step".to_owned(),
                (Some(_), _) => format!("no reading came in the last {} s", FRESH_US / 1_000_000),
            };
            return Capture {
                how,
                at: now,
                channel: self.aim.channel,
                judgement: self.without_value(Some(Verdict::NoReading), reason),
            };
        };
        Capture { how, at: sample.at, channel: Some(sample.channel), judgement: self.judgement(&sample) }
    }

    fn judgement(&self, sample: &Sample) -> Judgement {
        if let Some(verdict) = self.unfit(sample) {
            let reason = match (verdict, self.aim.quantity) {
                (Verdict::WrongFunction, Some(wanted)) => {
                    format!("the meter is on {}, switch it to {wanted}", sample.quantity)
                }
                _ => "the display is held, release it".to_owned(),
            };
            let judgement = self.without_value(Some(verdict), reason);
            return Judgement { value: Some(sample.value), quantity: Some(sample.quantity), u: sample.u, ..judgement };
        }
        match self.aim.limit {
            Some(limit) if limit.dimension == sample.quantity.dimension() => {
                judge(&limit, sample.value, sample.quantity, sample.u, self.aim.rule)
            }
            Some(limit) => {
                let reason = format!("the meter is on {}, the limit is in {}", sample.quantity, limit.dimension.unit());
                self.without_value(Some(Verdict::WrongFunction), reason)
            }
            None => Judgement::recorded(sample),
        }
    }

    fn without_value(&self, verdict: Option<Verdict>, reason: String) -> Judgement {
        Judgement { verdict, value: None, quantity: self.aim.quantity, u: None, limit: self.aim.limit, reason }
    }
}

/// How far outside a value is, base units; negative inside.
fn excess(limit: &Limit, value: Value) -> f64 {
    match value {
        Value::Number(value) => {
            let below = limit.low.map_or(f64::NEG_INFINITY, |low| low - value);
            let above = limit.high.map_or(f64::NEG_INFINITY, |high| value - high);
            below.max(above)
        }
        Value::Over if limit.high.is_some() => f64::INFINITY,
        Value::Under if limit.low.is_some() => f64::INFINITY,
        Value::Over | Value::Under => f64::NEG_INFINITY,
    }
}
