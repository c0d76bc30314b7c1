//! All coils warm: more ohms in the same measure everywhere, and nothing wrong.

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
        format!("The coils' ohms are those of sound coils at about {celsius:.0} °C; nobody measured their temperature.")
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "Measure a coil's temperature, or its ohms again when all has cooled down, before any coil is condemned."
            .to_owned()
    }
}
