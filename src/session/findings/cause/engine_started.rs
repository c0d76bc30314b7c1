//! A mistake: the engine was started midway, so that all volts rose between two steps.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::circuit::{Edit, FigurePrior};

pub(super) struct EngineStarted;

const VOLTS: FigurePrior = FigurePrior::normal(1.6, 0.4);

impl Cause for EngineStarted {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let size =
            FigurePrior { center: VOLTS.center * context.prior.scale, sd: VOLTS.sd * context.prior.scale, ..VOLTS };
        let found = (1..context.layout.readings.len())
            .map(|at| CauseCandidate::contradiction(&Self, Edit::EngineStarted(at), Some(size)));
        CauseCandidate::share(found.collect(), 0.03)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::EngineStarted(at) = fitted.edit else { return String::new() };
        format!("From \"{}\" on all volts are higher: the engine was started, or a charger connected.", fitted.step(at))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::EngineStarted(at) = fitted.edit else { return String::new() };
        let before = fitted.step(at.saturating_sub(1));
        format!("Repeat \"{before}\" and the steps before it with the engine as it is now.")
    }
}
