//! What a reading counts for in a step: what it stands for, whether it can be judged, and its own verdict.

use super::StepJudge;
use crate::{
    channel::Sample,
    clock::Mono,
    electrics::Uncertain,
    protocol::{Annunciators, Value},
    session::judge::{NotJudged, Verdict, beyond_range::BeyondRange, compare},
    units::Quantity,
};

/// A current is reversed below minus so many standard uncertainties of the clamp's zero.
const ZERO_SHARE: f64 = 3.0;

/// The same for a clamp that has no zero, A: common practice, no source.
const UNZEROED_A: f64 = 0.05;

/// A display that shows one of these does not show the present value.
const NOT_OF_NOW: Annunciators =
    Annunciators::HOLD.union(Annunciators::MINIMUM).union(Annunciators::MAXIMUM).union(Annunciators::PEAK);

impl StepJudge {
    /// The reading as the step means it: an overload without a function (`OL` alone) is of the function that the step wants,
    /// and the current of a clamp that is on backward counts as positive.
    pub(super) fn as_asked(&self, sample: &Sample) -> Sample {
        if self.is_reversed(sample)
            && let Value::Number(amps) = sample.value
        {
            return Sample { value: Value::Number(-amps), ..*sample };
        }
        let wanted = self.criteria.quantity.or(self.criteria.limit.map(|limit| Quantity::of(limit.dimension)));
        match (sample.value, wanted) {
            (Value::Over | Value::Under, Some(wanted))
                if Some(sample.channel) == self.criteria.channel && sample.quantity == Quantity::Number =>
            {
                Sample { quantity: wanted, ..*sample }
            }
            _ => *sample,
        }
    }

    /// Whether a clamp around a wire whose current flows one way shows it flowing the other way.
    pub(super) fn is_reversed(&self, sample: &Sample) -> bool {
        let Value::Number(amps) = sample.value else { return false };
        let least = self.criteria.zero_u.map_or(UNZEROED_A, |u| (ZERO_SHARE * u).max(sample.digit.unwrap_or(0.0)));
        Some(sample.channel) == self.criteria.channel
            && sample.quantity == Quantity::AmpsDc
            && amps < -least
            && self.criteria.flows_one_way()
    }

    /// The verdict on a sample while the leads make contact.
    ///
    /// What the leads have not proven, such as a touch of the battery, is no surge and not the worst.
    pub(super) fn counting(&mut self, sample: &Sample, touching: Mono, passes: bool) -> Option<Verdict> {
        if passes && self.criteria.load.began().is_some() {
            self.keep_peak(sample);
        }
        let Some(loaded) = self.criteria.load.since(sample.at) else {
            self.window.clear();
            return self.criteria.limit.map(|_| Verdict::NoLoadCurrent);
        };
        if sample.at < touching.max(loaded).plus(self.criteria.after) {
            return self.criteria.limit.map(|_| Verdict::NotSettled);
        }
        if passes {
            self.keep_worst(sample);
        }
        match sample.value {
            Value::Number(value) => self.window.push(sample.at, value, sample.digit),
            Value::Over | Value::Under => self.window.clear(),
        }
        let limit = self.criteria.limit.as_ref().filter(|limit| limit.dimension == sample.quantity.dimension())?;
        if let Some(beyond) = BeyondRange::of(sample, self.criteria.range) {
            return Some(beyond.compare(limit, self.criteria.rule).into());
        }
        let (value, u) = match (sample.value, &self.criteria.heat) {
            (Value::Number(value), Some(heat)) => {
                match heat.corrected(Uncertain::new(value, sample.u.unwrap_or(0.0))) {
                    Some(corrected) => (Value::Number(corrected.value), Some(corrected.u)),
                    None => (sample.value, sample.u),
                }
            }
            _ => (sample.value, sample.u),
        };
        Some(compare(limit, value, u, self.criteria.rule).into())
    }

    /// Why a sample can't be judged whatever its value; none where it can.
    pub(super) fn unfit(&self, sample: &Sample) -> Option<NotJudged> {
        let limit_elsewhere = self.criteria.limit.is_some_and(|limit| limit.dimension != sample.quantity.dimension());
        match self.criteria.quantity {
            Some(wanted) if wanted != sample.quantity => Some(NotJudged::WrongFunction),
            None if limit_elsewhere => Some(NotJudged::WrongFunction),
            _ if sample.annunciators.intersects(NOT_OF_NOW) => Some(NotJudged::HeldDisplay),
            _ => None,
        }
    }
}
