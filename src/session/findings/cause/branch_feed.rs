//! One coil's feed is low already without load: its driver keeps volts, the others' are good.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    session::findings::{FindingKind, fault::Fault, model::Measurand},
    units::Quantity,
};

pub(super) struct BranchFeed;

impl Cause for BranchFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let starts = [0.5, 1.0, 2.0, 3.0, 5.0, 9.0];
        // Where no volts of the branch were measured, it is one of the things that a resistance not placed stands for.
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
        format!("{}: its feed alone is low, {volts} stay in its driver even without load.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Measure at the output of the driver of the {} without load, and give it the signal of a sister driver: the driver, or what tells it to switch on.",
            fitted.coil()
        )
    }
}
