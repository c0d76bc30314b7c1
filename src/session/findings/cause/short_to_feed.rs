//! A wire that touches one which is always live: amps in a coil whose driver is off.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::{
    procedure::DriverSide,
    session::findings::{
        FindingKind,
        circuit::{Edit, FigurePrior, LeakPlace},
    },
};

pub(super) struct ShortToFeed;

const OHMS: FigurePrior = FigurePrior::log_normal(0.5, 1.4);

impl Cause for ShortToFeed {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        // On the low side the feed is live anyway, and a touch behind the coil would show as a dead short in its driver.
        let high =
            context.coils().filter(|at| context.is_seen(*at) && context.prior.model.sides[*at] == DriverSide::High);
        let candidates = high.flat_map(|at| {
            [LeakPlace::BeforeClamp, LeakPlace::BehindClamp].map(|place| {
                CauseCandidate::sized(&Self, FindingKind::ShortToFeed, vec![at], Edit::LeakToFeed(at, place), OHMS)
            })
        });
        CauseCandidate::share(candidates.collect(), 0.03)
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
