//! One coil's feed is low even without load: its driver drops volts, the other feeds are good.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    session::findings::{FindingKind, fault::Fault, model::Measurand},
    units::Quantity,
};

pub(super) struct BranchFeed;

impl Cause for BranchFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let starts = [0.5, 1.0, 2.0, 3.0, 5.0, 9.0];
        // Where no volts of the branch were measured, the cause "high resistance, place unknown" covers this one.
        let seen = |at: usize| {
            let layout = context.layout;
            layout.has(Measurand::HarnessFeed(at))
                || layout.has(Measurand::CoilFeed(at))
                || layout.has(Measurand::FeedDrop(at))
        };
        context
            .coils()
            .filter(|at| seen(*at))
            .map(|at| {
                let (kind, fault) = (FindingKind::FeedLowInBranch, Fault::DriverDrop(at));
                CauseCandidate::one_figure(&Self, kind, vec![at], fault, &starts, (0.05, 30.0))
            })
            .collect()
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let volts = show_rounded(fitted.figure(0), Quantity::VoltsDc);
        format!("{}: low feed on this circuit alone, its driver drops {volts} even without load.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Measure at the driver output of the {} without load, then swap its control signal with that of a sister driver: this shows whether the driver or its control signal is at fault.",
            fitted.coil()
        )
    }
}
