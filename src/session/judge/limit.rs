//! One value against one limit.

use super::{Judgement, Outcome, RangeEnd};
use crate::{
    channel::Sample,
    electrics::{Decision, DecisionRule, Limits, Uncertain, decide},
    protocol::Value,
    units::{Dimension, Limit, Quantity},
};

/// Whether values are judged by their size: volts that are to be few. The sign of a drop says which way the leads or the
/// current lie, and nothing of its size.
pub(crate) fn is_judged_by_size(limit: &Limit) -> bool {
    limit.dimension == Dimension::Volt && limit.low.is_none() && limit.high.is_some_and(|high| high > 0.0)
}

/// The limits that decide, on either side where the size counts.
pub(super) fn deciding(limit: &Limit) -> Limits {
    let low = if is_judged_by_size(limit) { limit.high.map(|high| -high) } else { limit.low };
    Limits { low, high: limit.high }
}

/// How a value keeps to a limit, without a reason: this runs on every sample.
///
/// `u` is the standard uncertainty in the limit's base units; without it the value alone decides.
pub(crate) fn compare(limit: &Limit, value: Value, u: Option<f64>, rule: DecisionRule) -> Decision {
    match value {
        Value::Number(value) => decide(Uncertain::new(value, u.unwrap_or(0.0)), deciding(limit), rule),
        // On a range of 600 mV a good feed shows OL, and a bad one too. An ohm meter shows it of what is open.
        Value::Over if limit.high.is_none() && limit.low.is_some() && limit.dimension != Dimension::Ohm => {
            Decision::TooClose
        }
        Value::Over => compare_beyond(limit, RangeEnd::Over),
        Value::Under => compare_beyond(limit, RangeEnd::Under),
    }
}

/// How a value beyond a range keeps to a limit that the range can show.
pub(super) fn compare_beyond(limit: &Limit, end: RangeEnd) -> Decision {
    let is_broken = match end {
        RangeEnd::Over => limit.high.is_some(),
        RangeEnd::Under => deciding(limit).low.is_some(),
    };
    if is_broken { Decision::Outside } else { Decision::Within }
}

/// Judges a sample against a limit, with the reason.
pub(crate) fn judge(limit: &Limit, sample: &Sample, rule: DecisionRule) -> Judgement {
    let Sample { value, quantity, u, digit, .. } = *sample;
    let decision = compare(limit, value, u, rule);
    let beyond = |end| Outcome::BeyondRange { decision, end, quantity, limit: *limit };
    let outcome = match value {
        Value::Number(number) => Outcome::Compared { decision, number, shown: None, u, quantity, limit: *limit },
        Value::Over => beyond(RangeEnd::Over),
        Value::Under => beyond(RangeEnd::Under),
    };
    Judgement { outcome, digit, reason: reason(limit, sample, decision) }
}

fn reason(limit: &Limit, sample: &Sample, decision: Decision) -> String {
    let format = sample.format(Some(limit));
    let value = match sample.value {
        Value::Number(value) => value,
        Value::Over if sample.quantity == Quantity::Ohms => {
            return format!("OL: open, or more than the meter's range, {limit} wanted");
        }
        Value::Over if decision == Decision::TooClose => {
            return format!(
                "OL: more than the meter's range, which may end below the limit: set it higher; {limit} wanted"
            );
        }
        Value::Over => return format!("OL: more than the meter's range, {limit} wanted"),
        Value::Under => return format!("-OL: less than the meter's range, {limit} wanted"),
    };
    let signed = value;
    let value = if is_judged_by_size(limit) { value.abs() } else { value };
    let below = limit.low.filter(|low| value < *low).map(|low| (low - value, "low"));
    let above = limit.high.filter(|high| value > *high).map(|high| (value - high, "high"));
    match (decision, below.or(above)) {
        (Decision::TooClose, _) => {
            let shown = format.show_with(signed, 2.0 * sample.u.unwrap_or(0.0));
            format!("{shown} is too near the limit to decide, {limit} wanted")
        }
        (_, Some((by, side))) => {
            format!("{} is {} too {side}, {limit} wanted", format.show(signed), format.show_difference(by))
        }
        (_, None) => format!("{}, {limit} wanted", format.show(signed)),
    }
}

#[cfg(test)]
mod tests {
    use super::{super::tests::volts, *};
    use crate::session::Verdict;

    /// Of a meter that gives no last digit.
    fn judge_volts(limit: &Limit, value: f64, u: Option<f64>) -> Judgement {
        judge(limit, &Sample { u, digit: None, ..volts(0, value) }, DecisionRule::Guarded)
    }

    fn limit(low: Option<f64>, high: Option<f64>) -> Limit {
        Limit { low, high, dimension: Quantity::VoltsDc.dimension() }
    }

    #[test]
    fn the_simple_rule_takes_the_limit_itself_as_within() {
        // JCGM 106:2012: acceptance is not strict (from memory).
        let least = limit(Some(11.8), None);
        for (value, decision) in [(11.8, Decision::Within), (11.799, Decision::Outside), (14.0, Decision::Within)] {
            assert_eq!(compare(&least, Value::Number(value), Some(0.1), DecisionRule::Simple), decision, "{value}");
            assert_eq!(compare(&least, Value::Number(value), None, DecisionRule::Guarded), decision, "{value}");
        }
    }

    /// A ground drop of -0.341 V was in limit with 0.441 V to spare.
    #[test]
    fn a_drop_is_judged_by_its_size() {
        let most = limit(None, Some(0.100));
        for (value, decision) in [
            (-0.341, Decision::Outside),
            (-0.099, Decision::TooClose),
            (-0.04, Decision::Within),
            (0.04, Decision::Within),
        ] {
            let judged = judge_volts(&most, value, Some(0.010));
            assert_eq!(compare(&most, Value::Number(value), Some(0.010), DecisionRule::Guarded), decision, "{value}");
            assert_eq!(judged.value(), Some(Value::Number(value)), "the sign stays");
            assert_eq!(judged.conformity().is_some_and(|p| p < 0.001), decision == Decision::Outside, "{judged:?}");
        }
        let outside = judge_volts(&most, -0.341, None);
        assert_eq!(outside.reason, "-341.0 mV is 241.0 mV too high, at most 100 mV wanted");
        assert_eq!(compare(&most, Value::Under, None, DecisionRule::Guarded), Decision::Outside);
        // A lower limit keeps the sign: -12.6 V at a feed is not 12.6 V.
        let least = limit(Some(11.8), None);
        assert_eq!(compare(&least, Value::Number(-12.6), None, DecisionRule::Guarded), Decision::Outside);
    }

    #[test]
    fn a_guard_of_two_u_stands_on_both_sides() {
        // ILAC-G8:09/2019 non-binary statement with w = U = 2u.
        let most = limit(None, Some(0.100));
        for (value, decision) in [
            (0.079, Decision::Within),
            (0.081, Decision::TooClose),
            (0.100, Decision::TooClose),
            (0.119, Decision::TooClose),
            (0.121, Decision::Outside),
        ] {
            assert_eq!(compare(&most, Value::Number(value), Some(0.010), DecisionRule::Guarded), decision, "{value}");
        }
    }

    #[test]
    fn beyond_the_range_breaks_an_upper_limit() {
        let both = limit(Some(6.9), Some(8.1));
        let judgement = judge(
            &both,
            &Sample { value: Value::Over, quantity: Quantity::Ohms, ..volts(0, 0.0) },
            DecisionRule::Guarded,
        );
        assert_eq!(judgement.verdict(), Some(Verdict::OutOfLimit));
        assert!(judgement.reason.starts_with("OL: open, or more"), "{}", judgement.reason);
        let over = |limit: &Limit| compare(limit, Value::Over, None, DecisionRule::Guarded);
        let insulation = Limit::at_least("10 Mohm".parse().unwrap());
        assert_eq!(over(&insulation), Decision::Within);
        // Seen by a technician: on a range of 600 mV a feed was in limit, whatever it was.
        let feed = limit(Some(11.8), None);
        assert_eq!(over(&feed), Decision::TooClose);
        let judged = judge(&feed, &Sample { value: Value::Over, ..volts(0, 0.0) }, DecisionRule::Guarded);
        assert_eq!(judged.verdict(), Some(Verdict::TooCloseToCall));
        assert!(judged.reason.contains("set it higher; at least 11.8 V wanted"), "{}", judged.reason);
    }

    #[test]
    fn reasons_give_value_and_limit() {
        let least = limit(Some(11.8), None);
        for (value, u, reason) in [
            (12.61, None, "12.61 V, at least 11.8 V wanted"),
            (9.2, None, "9.200 V is 2.600 V too low, at least 11.8 V wanted"),
            (11.81, Some(0.02), "11.810 V ± 0.040 V is too near the limit to decide, at least 11.8 V wanted"),
        ] {
            assert_eq!(judge_volts(&least, value, u).reason, reason);
        }
    }

    /// A display with two decimals showed 7.60, and the sentence said 7.600.
    #[test]
    fn reasons_show_the_digits_of_the_display_and_the_prefix_of_the_limit() {
        let drop = limit(None, Some(0.100));
        let coil = Limit { low: Some(6.9), high: Some(8.1), dimension: Quantity::Ohms.dimension() };
        let feed = limit(Some(11.8), None);
        for (limit, value, digit, quantity, reason) in [
            (&coil, 7.6, 0.01, Quantity::Ohms, "7.60 ohm, 6.9 ohm to 8.1 ohm wanted"),
            (&coil, 8.84, 0.01, Quantity::Ohms, "8.84 ohm is 0.74 ohm too high, 6.9 ohm to 8.1 ohm wanted"),
            (&drop, 0.341, 0.001, Quantity::VoltsDc, "341 mV is 241 mV too high, at most 100 mV wanted"),
            (&drop, 0.001, 0.001, Quantity::VoltsDc, "1 mV, at most 100 mV wanted"),
            (&feed, 12.6, 0.01, Quantity::VoltsDc, "12.60 V, at least 11.8 V wanted"),
            (&feed, 0.001, 0.001, Quantity::VoltsDc, "0.001 V is 11.799 V too low, at least 11.8 V wanted"),
        ] {
            let sample = Sample { quantity, u: None, digit: Some(digit), ..volts(0, value) };
            assert_eq!(judge(limit, &sample, DecisionRule::Guarded).reason, reason);
        }
    }
}
