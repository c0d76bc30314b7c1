//! The battery itself: few volts at its posts, or many lost inside it under load.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    session::findings::{FindingKind, fault::Fault},
    units::Quantity,
};

pub(super) struct WeakSupply;

impl Cause for WeakSupply {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let mut starts = Vec::new();
        for volts in [6.0, 9.5, 10.6, 11.2, 11.8, 12.5] {
            for ohms in [0.03, 0.2] {
                starts.push(vec![volts * context.prior.scale, ohms]);
            }
        }
        let bounds = vec![(1.0, 13.0 * context.prior.scale), (2e-3, 50.0)];
        vec![CauseCandidate {
            cause: &Self,
            kind: FindingKind::WeakSupply,
            coils: Vec::new(),
            fault: Fault::WeakBattery,
            starts,
            bounds,
        }]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let volts = show_rounded(fitted.figure(0), Quantity::VoltsDc);
        format!("Weak supply: the battery has {volts} without load and an internal resistance of {}.", fitted.ohms(1))
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "Charge the battery, let it rest, and test it under its rated load before judging any coil. Measure at the posts themselves, not at the clamps.".to_owned()
    }
}
