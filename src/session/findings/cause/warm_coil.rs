//! No fault: a coil that is warmer or colder than the others. Where no temperature was told, its ohms are known only relative to
//! it, and a coil somewhat off is never told from one that has just worked, or from one that alone has not.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    circuit::{Edit, FigurePrior},
};

pub(super) struct WarmCoil;

/// A coil held on for long is some 20 to 80 K above the air (common practice, no source).
const WARMER: FigurePrior = FigurePrior::normal(25.0, 20.0);
const COLDER: FigurePrior = FigurePrior::normal(-20.0, 15.0);
/// From a warm day to about the limit of usual wire enamel (common practice, no source), K.
const MOST_WARMER: f64 = 145.0;
/// Others that work keep a coil among them from being colder by more, K.
const MOST_COLDER: f64 = -80.0;
/// That one coil alone has worked for long just before, or alone has not, is rare: what coils usually differ by is in the prior.
const WARMER_ODDS: f64 = 0.01;
const COLDER_ODDS: f64 = 0.01;

impl Cause for WarmCoil {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let observations = context.layout.observations;
        if observations.part_celsius.is_some() {
            return Vec::new();
        }
        // Within a range that is told no coil is warmer than it allows.
        let share =
            observations.plausible_celsius.map_or(1.0, |(low, high)| ((high - low) / MOST_WARMER).clamp(0.0, 1.0));
        let of = |prior: FigurePrior, range: (f64, f64), odds: f64| {
            let prior = FigurePrior::normal(share * prior.center, share * prior.sd);
            let known = context.coils().filter(|at| context.is_seen(*at) && context.prior.nominal[*at].is_some());
            let each = known.map(|at| {
                let warm = CauseCandidate::contradiction(&Self, Edit::Warmth(at), Some(prior));
                CauseCandidate { kind: FindingKind::WarmCoils, coils: vec![at], range, ..warm }
            });
            CauseCandidate::share(each.collect(), odds)
        };
        let mut all = of(WARMER, (0.0, MOST_WARMER), WARMER_ODDS);
        all.extend(of(COLDER, (MOST_COLDER, 0.0), COLDER_ODDS));
        all
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let (coil, kelvin) = (fitted.coil(), fitted.size(0));
        if kelvin < 0.0 {
            return format!(
                "{coil}: {:.0} °C colder than the other coils would explain its resistance: they have worked, it has not.",
                -kelvin
            );
        }
        format!(
            "{coil}: {kelvin:.0} °C warmer than the other coils would explain its resistance: it was held on before, or stands by something hot."
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Measure the temperature of the {}, or its ohms again once all coils have cooled down, before replacing it.",
            fitted.coil()
        )
    }
}
