//! A value beyond its channel's range: an overdriven clamp shows less than the true value.
//!
//! Such a number is stored as shown, but judged as the end of the range or anything beyond it.

use super::{Judgement, Outcome, RangeEnd, compare, limit::compare_beyond};
use crate::{
    channel::Sample,
    electrics::{Decision, DecisionRule},
    protocol::Value,
    units::{Limit, Measure, show_given},
};

/// A value that can't be trusted, and the end of the range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BeyondRange {
    sample: Sample,
    shown: f64,
    /// Base units, with the sign of the shown value.
    range: f64,
}

impl BeyondRange {
    /// None for a value within the range, and where the range is not known or has another unit.
    pub(super) fn of(sample: &Sample, range: Option<Measure>) -> Option<Self> {
        let (Value::Number(shown), Some(range)) = (sample.value, range) else { return None };
        let beyond = range.dimension == sample.quantity.dimension() && shown.abs() > range.value;
        beyond.then(|| Self { sample: *sample, shown, range: range.value.copysign(shown) })
    }

    /// A verdict only where the end of the range and everything beyond it agree.
    pub(super) fn compare(&self, limit: &Limit, rule: DecisionRule) -> Decision {
        let nearest = compare(limit, Value::Number(self.range), self.sample.u, rule);
        if nearest == compare_beyond(limit, self.end()) { nearest } else { Decision::TooClose }
    }

    /// The verdict with its reason.
    pub(super) fn judge(&self, limit: Option<&Limit>, rule: DecisionRule) -> Judgement {
        let quantity = self.sample.quantity;
        let (shown, range) = (self.sample.shown(limit), show_given(self.range.abs(), quantity.dimension()));
        let end = match limit {
            Some(limit) => format!("the true value may be larger, {limit} wanted"),
            None => "the true value may be larger".to_owned(),
        };
        let end_of_range = self.end();
        Judgement {
            outcome: match limit {
                Some(limit) => Outcome::BeyondRange {
                    decision: self.compare(limit, rule),
                    end: end_of_range,
                    quantity,
                    limit: *limit,
                },
                None => Outcome::Recorded { value: end_of_range.into(), u: None, quantity },
            },
            digit: self.sample.digit,
            reason: format!("{shown} is more than the channel's range of {range}: {end}"),
        }
    }

    fn end(&self) -> RangeEnd {
        if self.shown > 0.0 { RangeEnd::Over } else { RangeEnd::Under }
    }
}

#[cfg(test)]
mod tests {
    use super::{super::tests::amps, *};
    use crate::units::Dimension;

    /// A clamp with a range of 60 A; values as in common practice, no source.
    fn beyond(value: f64) -> Option<BeyondRange> {
        BeyondRange::of(&amps(0, value), Some(Measure { value: 60.0, dimension: Dimension::Ampere }))
    }

    #[test]
    fn only_what_lies_beyond_is_doubted() {
        assert_eq!((beyond(60.0), beyond(-59.9)), (None, None));
        assert!(beyond(60.1).is_some() && beyond(-60.1).is_some());
        assert_eq!(BeyondRange::of(&amps(0, 64.0), None), None);
        let volts = Some(Measure { value: 6.0, dimension: Dimension::Volt });
        assert_eq!(BeyondRange::of(&amps(0, 64.0), volts), None);
    }

    #[test]
    fn a_verdict_stands_only_where_more_would_not_change_it() {
        let limit = |low, high| Limit { low, high, dimension: Dimension::Ampere };
        for (shown, low, high, verdict) in [
            // 64 A is at least 60 A: more than 50 A it is, less than 80 A or more than 62 A it may be.
            (64.0, Some(50.0), None, Decision::Within),
            (64.0, None, Some(50.0), Decision::Outside),
            (64.0, None, Some(80.0), Decision::TooClose),
            (64.0, Some(50.0), Some(80.0), Decision::TooClose),
            (64.0, Some(62.0), None, Decision::TooClose),
            (-64.0, None, Some(50.0), Decision::Within),
            (-64.0, Some(-50.0), None, Decision::Outside),
            (-64.0, Some(-80.0), None, Decision::TooClose),
        ] {
            let found = beyond(shown).unwrap().compare(&limit(low, high), DecisionRule::Guarded);
            assert_eq!(found, verdict, "{shown} {low:?} {high:?}");
        }
        let judged = beyond(64.0).unwrap().judge(Some(&limit(None, Some(80.0))), DecisionRule::Guarded);
        assert_eq!(judged.value(), Some(Value::Over));
        let words =
            "64.00 A is more than the channel's range of 60 A: the true value may be larger, at most 80 A wanted";
        assert_eq!(judged.reason, words);
        assert_eq!(beyond(64.0).unwrap().judge(None, DecisionRule::Guarded).verdict(), None);
    }
}
