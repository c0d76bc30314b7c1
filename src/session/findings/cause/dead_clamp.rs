//! A mistake: the clamp was off, not closed, or around a neighbour's wire that carried nothing.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::circuit::{DriveState, Edit, Measurand};

pub(super) struct DeadClamp;

/// More amps than this come from no dead clamp, A.
const MOST_A: f64 = 0.3;

impl Cause for DeadClamp {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let readings = context.layout.readings.iter().enumerate();
        let found = readings
            .filter(|(_, reading)| {
                matches!(reading.measurand, Measurand::Wire(_))
                    && reading.state != DriveState::Rest
                    && reading.value.abs() < MOST_A
            })
            .map(|(at, _)| CauseCandidate::contradiction(&Self, Edit::DeadClamp(at), None));
        CauseCandidate::share(found.collect(), 0.03)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let Edit::DeadClamp(at) = fitted.edit else { return String::new() };
        format!("\"{}\" shows no amps: the clamp was off, open, or around another wire.", fitted.step(at))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let Edit::DeadClamp(at) = fitted.edit else { return String::new() };
        format!("Prove the clamp on a wire that carries current, then repeat the step \"{}\".", fitted.step(at))
    }
}
