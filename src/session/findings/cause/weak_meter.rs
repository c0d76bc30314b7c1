//! A mistake: the meter's own battery is low, so that all it shows is too much.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    Role,
    circuit::{Edit, FigurePrior},
};

pub(super) struct WeakMeter;

const FACTOR: FigurePrior = FigurePrior::log_normal(1.08, 0.06);

impl Cause for WeakMeter {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let found = context
            .channels(|_| true)
            .into_iter()
            .map(|channel| CauseCandidate::contradiction(&Self, Edit::WeakMeter(channel), Some(FACTOR)));
        CauseCandidate::share(found.collect(), 0.03)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::WeakMeter(_) = fitted.edit else { return String::new() };
        format!(
            "All that this meter shows is too much by about {:.0} %: its own battery is low.",
            100.0 * (fitted.size(0) - 1.0)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::WeakMeter(channel) = fitted.edit else { return String::new() };
        format!(
            "Put a new battery into the meter and repeat the step \"{}\".",
            fitted.step_of_channel(channel, Some(Role::Feed))
        )
    }
}
