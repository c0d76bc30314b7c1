//! A wire that touches one which is always live: amps in a coil whose driver is off.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{FindingKind, fault::Fault, model::DriveState, model::Measurand};

pub(super) struct ShortToFeed;

impl Cause for ShortToFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // Only amps with the driver off show it.
        let seen = |at: usize| {
            let readings = &context.layout.readings;
            readings.iter().any(|reading| {
                reading.measurement.measurand == Measurand::Wire(at) && reading.measurement.state == DriveState::Rest
            })
        };
        context
            .coils()
            .filter(|at| seen(*at))
            .map(|at| {
                let (kind, fault) = (FindingKind::ShortToFeed, Fault::ShortToFeed(at));
                CauseCandidate::one_figure(&Self, kind, vec![at], fault, &[0.05, 0.3, 2.0, 10.0, 40.0], (0.02, 1e3))
            })
            .collect()
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        format!("{}: short to power, the coil draws current while its driver is off.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Key off, unplug the driver of the {} and measure the volts on its wire. If it is still live, it touches a live wire: move the harness until the volts are gone.",
            fitted.coil()
        )
    }
}
