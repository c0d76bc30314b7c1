//! The ground that all coils share: its drop grows with all that runs, and all coils lose together.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    FindingKind,
    circuit::{Edit, FigurePrior, Measurand, Part},
};

pub(super) struct SharedGround;

/// Of a break.
const BREAK_OHMS: FigurePrior = FigurePrior::log_normal(1e8, 2.0);
const OHMS: FigurePrior = FigurePrior::log_normal(0.05, 1.2);

impl Cause for SharedGround {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // One coil alone can't tell its own ground from a shared one.
        let loaded = context
            .coils()
            .filter(|at| context.layout.has(Measurand::Wire(*at)) || context.layout.has(Measurand::CoilGround(*at)));
        if loaded.count() < 2 && !context.layout.has(Measurand::SharedGround) {
            return Vec::new();
        }
        let kind = FindingKind::SharedGround;
        let mut sized = CauseCandidate::sized(&Self, kind, Vec::new(), Edit::Series(Part::SharedGround), OHMS);
        let mut open = CauseCandidate::sized(&Self, kind, Vec::new(), Edit::Open(Part::SharedGround), BREAK_OHMS);
        (sized.odds, open.odds) = (0.12, 0.01);
        vec![sized, open]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        match fitted.edit {
            Edit::Open(_) => "The shared ground is open: no current flows back from any coil.".to_owned(),
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
