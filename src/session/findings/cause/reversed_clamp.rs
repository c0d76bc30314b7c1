//! A mistake: the clamp was on backward, so that its amps have the other sign.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::circuit::{Edit, Measurand};

pub(super) struct ReversedClamp;

/// Fewer amps than this are a clamp's zero, A.
const LEAST_A: f64 = 0.05;

impl Cause for ReversedClamp {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let negative = |channel: &usize| {
            let mut readings = context.layout.readings.iter().filter(|reading| reading.channel == *channel);
            readings.any(|reading| matches!(reading.measurand, Measurand::Wire(_)) && reading.value < -LEAST_A)
        };
        let channels = context.channels(|measurand| matches!(measurand, Measurand::Wire(_)));
        let found = channels
            .into_iter()
            .filter(negative)
            .map(|channel| CauseCandidate::contradiction(&Self, Edit::Reversed(channel), None));
        CauseCandidate::share(found.collect(), 0.05)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::Reversed(channel) = fitted.edit else { return String::new() };
        format!(
            "The clamp of \"{}\" was on backward: its amps count with the other sign.",
            fitted.step_of_channel(channel, None)
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::Reversed(channel) = fitted.edit else { return String::new() };
        format!("Turn the clamp round and repeat the step \"{}\".", fitted.step_of_channel(channel, None))
    }
}
