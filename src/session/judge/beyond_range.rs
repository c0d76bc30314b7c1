//! A value beyond what its channel reaches: a clamp that is driven further shows less than there is.
//!
//! Such a number is stored as it was shown, but judged as what it is: the reach, or anything beyond it.

use super::{Judgement, Outcome, RangeEnd, compare};
use crate::{
    channel::Sample,
    electrics::{Decision, DecisionRule},
    protocol::Value,
    units::{Limit, Measure, Quantity, show},
};

/// A value that can't be trusted, and how far it could be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BeyondRange {
    /// Base units, as is the reach, with the sign of what was shown.
    shown: f64,
    reach: f64,
    quantity: Quantity,
    u: Option<f64>,
}

impl BeyondRange {
    /// None for a value within the reach, and where the reach is not told or of another unit.
    pub(super) fn of(sample: &Sample, reach: Option<Measure>) -> Option<Self> {
        let (Value::Number(shown), Some(reach)) = (sample.value, reach) else { return None };
        let beyond = reach.dimension == sample.quantity.dimension() && shown.abs() > reach.value;
        beyond.then(|| Self { shown, reach: reach.value.copysign(shown), quantity: sample.quantity, u: sample.u })
    }

    /// A verdict only where the reach and all that lies beyond it agree.
    pub(super) fn compare(&self, limit: &Limit, rule: DecisionRule) -> Decision {
        let nearest = compare(limit, Value::Number(self.reach), self.u, rule);
        if nearest == compare(limit, self.end().into(), None, rule) { nearest } else { Decision::TooClose }
    }

    /// The same with the sentence.
    pub(super) fn judge(&self, limit: Option<&Limit>, rule: DecisionRule) -> Judgement {
        let (shown, reach) = (show(self.shown, self.quantity), show(self.reach.abs(), self.quantity));
        let end = match limit {
            Some(limit) => format!("there may be more, {limit} wanted"),
            None => "recorded, there may be more".to_owned(),
        };
        let (quantity, end_of_range) = (self.quantity, self.end());
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
            reason: format!("{shown} is beyond the {reach} that the channel reaches: {end}"),
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

    /// A clamp that reaches 60 A; values as in common practice, no source.
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
        let words = "64.00 A is beyond the 60.00 A that the channel reaches: there may be more, at most 80.00 A wanted";
        assert_eq!(judged.reason, words);
        assert_eq!(beyond(64.0).unwrap().judge(None, DecisionRule::Guarded).verdict(), None);
    }
}
