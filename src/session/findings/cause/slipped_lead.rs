//! A mistake: a lead slipped, or stood on the wrong terminal, so that one value stands for nothing.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::circuit::Edit;

pub(super) struct SlippedLeadReading;

impl Cause for SlippedLeadReading {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let may_slip = |at: &usize| !context.layout.observation(*at).is_proven;
        let all = (0..context.layout.readings.len())
            .filter(may_slip)
            .map(|at| CauseCandidate::contradiction(&Self, Edit::Slipped(at), None));
        CauseCandidate::share(all.collect(), 0.05)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::Slipped(at) = fitted.edit else { return String::new() };
        format!(
            "\"{}\" does not go with the other captures: a lead slipped, or stood on another terminal.",
            fitted.step(at)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::Slipped(at) = fitted.edit else { return String::new() };
        format!("Repeat the step \"{}\".", fitted.step(at))
    }
}
