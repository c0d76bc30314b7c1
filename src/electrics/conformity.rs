//! Does a value keep to its limits, and how sure is that?
//!
//! Sources: JCGM 106:2012 clauses 7 and 8 for the probability of conformity, ILAC-G8:09/2019 for the rule with
//! guard bands of one expanded uncertainty. Clause numbers from memory. This file does not know where limits and
//! values come from.

use strum::{EnumMessage, VariantArray};

use super::normal::normal_cdf;
use super::uncertain::Uncertain;

/// What a value must keep to, in its unit. A value on a limit keeps to it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Limits {
    /// The least value allowed.
    pub low: Option<f64>,
    /// The greatest value allowed.
    pub high: Option<f64>,
}

/// How near to a limit a verdict may still be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub enum DecisionRule {
    /// Limits are guarded on both sides by U = 2 u (ILAC-G8 w = U): a wrong `Within` or `Outside`
    /// has a probability below 2.5 %, and what lies between is too close.
    #[default]
    #[strum(serialize = "guarded")]
    Guarded,
    /// The value alone decides (ILAC-G8 simple acceptance): wrong by up to 50 % at the limit.
    #[strum(serialize = "simple")]
    Simple,
}

/// What follows from a value and its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// It keeps to the limits.
    Within,
    /// It does not.
    Outside,
    /// The uncertainty reaches across a limit.
    TooClose,
}

/// Decides by a rule. Without any limit everything is within.
///
/// Limits closer together than twice the expanded uncertainty are never kept by the guarded rule:
/// such a meter can only show that a value is outside.
pub(crate) fn decide(value: Uncertain, limits: Limits, rule: DecisionRule) -> Decision {
    let guard = match rule {
        DecisionRule::Guarded => value.expanded(2.0),
        DecisionRule::Simple => 0.0,
    };
    // How far the value stands inside of each limit, and where that counts as on the guard's edge:
    // decimal limits and scaled readings miss each other by some last bits of a double.
    let rooms = [limits.low.map(|low| (value.value - low, low)), limits.high.map(|high| (high - value.value, high))];
    let mut decision = Decision::Within;
    for (room, limit) in rooms.into_iter().flatten() {
        let rounding = 1e-12 * value.value.abs().max(limit.abs());
        if room >= guard - rounding {
            continue;
        }
        if room <= -guard + rounding {
            return Decision::Outside;
        }
        decision = Decision::TooClose;
    }
    decision
}

/// The probability that the true value keeps to the limits, the value's error being normal:
/// JCGM 106 7.3 and 7.4. With an uncertainty of zero it is 0 or 1.
pub(crate) fn probability_of_conformity(value: Uncertain, limits: Limits) -> f64 {
    if value.u <= 0.0 {
        return if decide(value, limits, DecisionRule::Simple) == Decision::Within { 1.0 } else { 0.0 };
    }
    let z = |limit: f64| (limit - value.value) / value.u;
    match (limits.low.map(z), limits.high.map(z)) {
        (None, None) => 1.0,
        (None, Some(high)) => normal_cdf(high),
        (Some(low), None) => normal_cdf(-low),
        // Where both limits lie above the value, the difference of two numbers near 1 would lose
        // the tail; the mirrored one does not.
        (Some(low), Some(high)) if low > 0.0 => (normal_cdf(-low) - normal_cdf(-high)).max(0.0),
        (Some(low), Some(high)) => (normal_cdf(high) - normal_cdf(low)).max(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

    fn at_least(low: f64) -> Limits {
        Limits { low: Some(low), high: None }
    }

    fn at_most(high: f64) -> Limits {
        Limits { low: None, high: Some(high) }
    }

    fn between(low: f64, high: f64) -> Limits {
        Limits { low: Some(low), high: Some(high) }
    }

    #[test]
    fn probabilities_of_the_examples() {
        // JCGM 106:2012 7.3 and 7.4 (Zener diode prints 0.92, container 0.99, oil 0.66) and cases
        // made for this test; probabilities computed with scipy 1.17.1.
        let limit = |cell: &str| (!cell.is_empty()).then(|| number(cell));
        let mut cases = 0;
        for row in rows(include_str!("../../tests/data/electrics/conformance_probability.csv")) {
            let value = Uncertain::new(number(row[1]), number(row[2]));
            let limits = Limits { low: limit(row[3]), high: limit(row[4]) };
            let conforms = probability_of_conformity(value, limits);
            near(conforms, number(row[5]), 6e-11);
            near(1.0 - conforms, number(row[6]), 6e-11);
            cases += 1;
        }
        assert_eq!(cases, 9);
    }

    #[test]
    fn the_guarded_rule_knows_three_answers() {
        let drop = |volts| decide(Uncertain::new(volts, 0.012), at_most(0.5), DecisionRule::Guarded);
        assert_eq!(drop(0.450), Decision::Within);
        assert_eq!(drop(0.476), Decision::Within); // exactly one guard band below
        assert_eq!(drop(0.477), Decision::TooClose);
        assert_eq!(drop(0.500), Decision::TooClose);
        assert_eq!(drop(0.523), Decision::TooClose);
        assert_eq!(drop(0.524), Decision::Outside);
        let feed = |volts| decide(Uncertain::new(volts, 0.05), at_least(11.7), DecisionRule::Guarded);
        assert_eq!([11.59, 11.7, 11.81].map(feed), [Decision::Outside, Decision::TooClose, Decision::Within]);
    }

    #[test]
    fn the_simple_rule_accepts_what_is_on_the_limit() {
        // JCGM 106: with w = 0 the acceptance interval includes its limits (from memory).
        let simple = |volts| decide(Uncertain::new(volts, 0.012), at_most(0.5), DecisionRule::Simple);
        assert_eq!([0.499, 0.5, 0.501].map(simple), [Decision::Within, Decision::Within, Decision::Outside]);
        // A clamp's reading that arithmetic left one bit above its decimal limit.
        let scaled = 3.0 * 0.1;
        assert!(scaled > 0.3);
        assert_eq!(decide(Uncertain::exact(scaled), at_most(0.3), DecisionRule::Simple), Decision::Within);
    }

    #[test]
    fn a_certain_value_is_never_too_close() {
        let limits = between(12.0, 13.0);
        for (ohms, decision, probability) in [
            (11.999, Decision::Outside, 0.0),
            (12.0, Decision::Within, 1.0),
            (13.0, Decision::Within, 1.0),
            (13.001, Decision::Outside, 0.0),
        ] {
            let value = Uncertain::exact(ohms);
            assert_eq!(decide(value, limits, DecisionRule::Guarded), decision);
            assert_eq!(probability_of_conformity(value, limits), probability);
        }
    }

    #[test]
    fn a_meter_too_coarse_for_its_limits_can_only_refuse() {
        let coil = |ohms| decide(Uncertain::new(ohms, 1.0), between(12.0, 13.0), DecisionRule::Guarded);
        assert_eq!([9.5, 12.5, 15.5].map(coil), [Decision::Outside, Decision::TooClose, Decision::Outside]);
    }

    #[test]
    fn without_limits_all_is_within() {
        let value = Uncertain::new(1.0, 5.0);
        assert_eq!(decide(value, Limits::default(), DecisionRule::Guarded), Decision::Within);
        assert_eq!(probability_of_conformity(value, Limits::default()), 1.0);
    }

    #[test]
    fn far_tails_are_not_lost() {
        let below = probability_of_conformity(Uncertain::new(0.0, 1.0), between(10.0, 11.0));
        let above = probability_of_conformity(Uncertain::new(21.0, 1.0), between(10.0, 11.0));
        assert!(below > 0.0);
        near(below / above, 1.0, 1e-12);
    }

    proptest! {
        #[test]
        fn a_guarded_decision_is_right_in_97_of_100(
            value in -2.0..2.0_f64, u in 0.0..0.5_f64, low in -1.0..0.0_f64, width in 0.0..1.0_f64,
        ) {
            let (value, limits) = (Uncertain::new(value, u), between(low, low + width));
            let conforms = probability_of_conformity(value, limits);
            match decide(value, limits, DecisionRule::Guarded) {
                // Both limits together may be missed, each by 2.275 %.
                Decision::Within => prop_assert!(conforms >= 1.0 - 2.0 * 0.02276, "{}", conforms),
                Decision::Outside => prop_assert!(conforms <= 0.02276, "{}", conforms),
                Decision::TooClose => prop_assert!(conforms > 0.0 && conforms < 1.0 || u < 1e-9, "{}", conforms),
            }
        }
    }
}
