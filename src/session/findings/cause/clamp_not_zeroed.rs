//! A mistake: the clamp was not zeroed, so that all its amps are off by as many.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    session::findings::circuit::{Edit, FigurePrior, Measurand},
    units::Quantity,
};

pub(super) struct ClampNotZeroed;

const AMPS: FigurePrior = FigurePrior::normal(0.0, 0.2);

impl Cause for ClampNotZeroed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let channels = context.channels(|measurand| matches!(measurand, Measurand::Wire(_)));
        let found = channels
            .into_iter()
            .map(|channel| CauseCandidate::contradiction(&Self, Edit::NotZeroed(channel), Some(AMPS)));
        CauseCandidate::share(found.collect(), 0.05)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::NotZeroed(channel) = fitted.edit else { return String::new() };
        format!(
            "The clamp of \"{}\" was not zeroed: it is off by {}.",
            fitted.step_of_channel(channel, None),
            show_rounded(fitted.size(0), Quantity::AmpsDc)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::NotZeroed(channel) = fitted.edit else { return String::new() };
        format!("Zero the clamp with no wire in it and repeat the step \"{}\".", fitted.step_of_channel(channel, None))
    }
}
