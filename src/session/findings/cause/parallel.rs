//! Something beside a coil that carries current: feed and ohms are good, amps are too many.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{FindingKind, fault::Fault};

pub(super) struct ParallelPath;

/// Less is called a short: some amps more than any valve driver is made for.
pub(super) const LEAST_OHMS: f64 = 3.0;

impl Cause for ParallelPath {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let starts = [3.5, 6.0, 10.0, 20.0, 40.0, 120.0];
        context
            .coils()
            .map(|at| {
                let (kind, fault) = (FindingKind::ParallelPath, Fault::ParallelOhms(at));
                CauseCandidate::one_figure(&Self, kind, vec![at], fault, &starts, (LEAST_OHMS, 1e4))
            })
            .collect()
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        format!(
            "{}: a parallel path, about {} from its feed wire to ground beside the coil.",
            fitted.coil(),
            fitted.ohms(0)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Unplug the {} and hold its driver on: any current that still flows does not go through the coil. Look for a chafed wire, water in a connector, or another load on the same wire.",
            fitted.coil()
        )
    }
}
