//! A mistake: the ohms of the leads were not taken off.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{
    Role,
    circuit::{Edit, FigurePrior, Measurand},
};

pub(super) struct LeadsNotNulled;

const OHMS: FigurePrior = FigurePrior::log_normal(0.3, 0.5);

impl Cause for LeadsNotNulled {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let channels = context.channels(|measurand| matches!(measurand, Measurand::CoilOhms(_)));
        let found = channels
            .into_iter()
            .map(|channel| CauseCandidate::contradiction(&Self, Edit::LeadsNotNulled(channel), Some(OHMS)));
        CauseCandidate::share(found.collect(), 0.06)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::LeadsNotNulled(_) = fitted.edit else { return String::new() };
        format!("All ohms are too many by about {}: the leads were not taken off.", fitted.ohms(0))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::LeadsNotNulled(channel) = fitted.edit else { return String::new() };
        format!(
            "Hold the leads together, take their ohms off, and repeat the step \"{}\".",
            fitted.step_of_channel(channel, Some(Role::CoilOhms))
        )
    }
}
