//! The ground that all coils share: its drop grows with all that runs, and all coils lose together.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    fault::{Fault, FaultLocation},
    model::Measurand,
};

pub(super) struct SharedGround;

impl Cause for SharedGround {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // One coil alone can't tell its own ground from a shared one.
        let loaded = context
            .coils()
            .filter(|at| context.layout.has(Measurand::Wire(*at)) || context.layout.has(Measurand::CoilGround(*at)));
        if loaded.count() < 2 && !context.layout.has(Measurand::SharedGround) {
            return Vec::new();
        }
        let (kind, location) = (FindingKind::SharedGround, FaultLocation::SharedGround);
        let starts = [0.015, 0.04, 0.1, 0.2, 0.5, 1.5, 5.0];
        vec![
            CauseCandidate::one_figure(&Self, kind, Vec::new(), Fault::SeriesOhms(location), &starts, (1e-3, 1e4)),
            CauseCandidate::plain(&Self, kind, Vec::new(), Fault::Open(location)),
        ]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        match fitted.fault {
            Fault::Open(_) => "The shared ground is open: no current flows back from any coil.".to_owned(),
            _ => format!(
                "Shared ground: high resistance between the ground that all coils share and battery negative, {} extra.",
                fitted.ohms(0)
            ),
        }
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "With everything running, measure the voltage drop from each joint of the shared ground (stud, strap, frame) to battery negative. Clean the joint where the drop jumps, and measure it again.".to_owned()
    }
}
