//! All coils are warm: every coil has more ohms by the same factor, and nothing is wrong.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{FindingKind, fault::Fault, model::Measurand};

pub(super) struct WarmCoils;

impl Cause for WarmCoils {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let seen = context
            .coils()
            .any(|at| context.prior.nominal[at].is_some() && context.layout.has(Measurand::CoilOhms(at)));
        if !seen || context.layout.observations.part_celsius.is_some() {
            return Vec::new();
        }
        // To some 110 °C: what a coil that worked all day may have (common practice, no source).
        vec![CauseCandidate::one_figure(
            &Self,
            FindingKind::WarmCoils,
            Vec::new(),
            Fault::Warmer,
            &[15.0, 25.0, 40.0, 60.0, 80.0],
            (5.0, 85.0),
        )]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let celsius = fitted.prior.circuit.celsius + fitted.figure(0);
        format!(
            "Warm coils: their resistance is that of good coils at about {celsius:.0} °C. The temperature was not measured."
        )
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "Measure a coil's temperature, or its ohms again once everything has cooled down, before replacing any coil."
            .to_owned()
    }
}
