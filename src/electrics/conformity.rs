//! Does a value keep to its limits, and how sure is that?
//!
//! Sources: JCGM 106:2012 clauses 7 and 8 for the probability of conformity and guard bands,
//! ILAC-G8:09/2019 for the rule with guard bands of one expanded uncertainty. Clause numbers from
//! memory. It knows limits and values, not where they come from.

use strum::{EnumMessage, VariantArray};

use super::normal::{normal_cdf, normal_quantile};
use super::uncertain::Uncertain;

/// What a value must keep to, in its unit. A value on a limit keeps to it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Limits {
    /// The least value allowed.
    pub low: Option<f64>,
    /// The greatest value allowed.
    pub high: Option<f64>,
}

impl Limits {
    /// `low` or more.
    pub(crate) fn at_least(low: f64) -> Self {
        Self { low: Some(low), high: None }
    }

    /// `high` or less.
    pub(crate) fn at_most(high: f64) -> Self {
        Self { low: None, high: Some(high) }
    }

    /// From `low` to `high`.
    pub(crate) fn between(low: f64, high: f64) -> Self {
        Self { low: Some(low), high: Some(high) }
    }
}

/// How near to a limit a verdict may still be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum DecisionRule {
    /// Limits are guarded on both sides by U = 2 u (ILAC-G8 w = U): a wrong `Within` or `Outside`
    /// has a probability below 2.5 %, and what lies between is too close.
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
/// such a meter can only tell what is outside.
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

/// The width w of the guard band that keeps the risk of a wrong acceptance at one limit to `risk`
/// (0.05 for 5 %): w = z₁₋ᵣ u, JCGM 106 8.3.2, in the unit of `u`. Negative above a risk of one half;
/// `None` unless the risk lies between 0 and 1.
pub(crate) fn guard_band(u: f64, risk: f64) -> Option<f64> {
    normal_quantile(risk).map(|z| -z * u)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::{near, number, rows};
    use proptest::prelude::*;

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
    fn guard_bands_of_the_guides() {
        // JCGM 106 and ILAC-G8: 5 % at one limit is 1.644854 u = 0.822427 U (stated as 0.83 U);
        // table 1 of JCGM 106 for the others; computed with scipy 1.17.1.
        near(guard_band(1.0, 0.05).unwrap(), 1.644854, 5e-7);
        near(guard_band(0.5, 0.05).unwrap(), 0.822427, 5e-7);
        for (risk, z) in [(0.20, 0.8416), (0.10, 1.2816), (0.01, 2.3263), (0.001, 3.0902)] {
            near(guard_band(1.0, risk).unwrap(), z, 5e-5);
        }
        near(guard_band(1.0, 0.5).unwrap(), 0.0, 1e-15);
        // The rule w = U = 2 u accepts wrongly in 2.275 % at the most.
        near(guard_band(1.0, 0.02275013).unwrap(), 2.0, 1e-6);
        assert_eq!(guard_band(1.0, 0.0), None);
    }

    #[test]
    fn a_guard_band_that_grows_with_the_value() {
        // JCGM 106 8.3.3, the speed limit of 100 km/h with a relative 2 %: prints 107 km/h and a
        // guard band of 7 km/h. From memory.
        let speed = 106.587;
        near(guard_band(0.02 * speed, 0.001).unwrap(), speed - 100.0, 0.005);
    }

    #[test]
    fn the_guarded_rule_knows_three_answers() {
        let drop = |volts| decide(Uncertain::new(volts, 0.012), Limits::at_most(0.5), DecisionRule::Guarded);
        assert_eq!(drop(0.450), Decision::Within);
        assert_eq!(drop(0.476), Decision::Within); // exactly one guard band below
        assert_eq!(drop(0.477), Decision::TooClose);
        assert_eq!(drop(0.500), Decision::TooClose);
        assert_eq!(drop(0.523), Decision::TooClose);
        assert_eq!(drop(0.524), Decision::Outside);
        let feed = |volts| decide(Uncertain::new(volts, 0.05), Limits::at_least(11.7), DecisionRule::Guarded);
        assert_eq!([11.59, 11.7, 11.81].map(feed), [Decision::Outside, Decision::TooClose, Decision::Within]);
    }

    #[test]
    fn the_simple_rule_accepts_what_is_on_the_limit() {
        // JCGM 106: with w = 0 the acceptance interval includes its limits (from memory).
        let simple = |volts| decide(Uncertain::new(volts, 0.012), Limits::at_most(0.5), DecisionRule::Simple);
        assert_eq!([0.499, 0.5, 0.501].map(simple), [Decision::Within, Decision::Within, Decision::Outside]);
        // A clamp's reading that arithmetic left one bit above its decimal limit.
        let scaled = 3.0 * 0.1;
        assert!(scaled > 0.3);
        assert_eq!(decide(Uncertain::exact(scaled), Limits::at_most(0.3), DecisionRule::Simple), Decision::Within);
    }

    #[test]
    fn a_certain_value_is_never_too_close() {
        let limits = Limits::between(12.0, 13.0);
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
        let coil = |ohms| decide(Uncertain::new(ohms, 1.0), Limits::between(12.0, 13.0), DecisionRule::Guarded);
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
        let below = probability_of_conformity(Uncertain::new(0.0, 1.0), Limits::between(10.0, 11.0));
        let above = probability_of_conformity(Uncertain::new(21.0, 1.0), Limits::between(10.0, 11.0));
        assert!(below > 0.0);
        near(below / above, 1.0, 1e-12);
    }

    proptest! {
        #[test]
        fn a_guarded_decision_is_right_in_97_of_100(
            value in -2.0..2.0_f64, u in 0.0..0.5_f64, low in -1.0..0.0_f64, width in 0.0..1.0_f64,
        ) {
            let (value, limits) = (Uncertain::new(value, u), Limits::between(low, low + width));
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
