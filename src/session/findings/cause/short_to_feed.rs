//! A wire that touches one which is always live: amps in a coil whose driver is off.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::{
    procedure::DriverSide,
    session::findings::{
        FindingKind,
        circuit::{Edit, FigurePrior, LeakPlace, Measurand},
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
        let coil = fitted.coil();
        if self.is_shown(fitted) {
            format!("{coil}: short to power, the coil draws current while its driver is off.")
        } else {
            format!(
                "{coil}: short to power, past its driver. No capture shows what the coil draws while its driver is off."
            )
        }
    }

    /// Volts at the coil with its driver off, or amps where the clamp is behind the touch.
    fn is_shown(&self, fitted: &FittedCause) -> bool {
        let Edit::LeakToFeed(coil, place) = fitted.edit else { return true };
        fitted.layout.readings.iter().any(|reading| {
            let shows = match reading.measurand {
                Measurand::Wire(at) => at == coil && place == LeakPlace::BeforeClamp,
                Measurand::HarnessFeed(at)
                | Measurand::CoilFeed(at)
                | Measurand::FeedDrop(at)
                | Measurand::CoilVolts(at) => at == coil,
                _ => false,
            };
            shows && !reading.state.drives(coil)
        })
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Key off, unplug the driver of the {} and measure the volts on its wire. If it is still live, it touches a live wire: move the harness until the volts are gone.",
            fitted.coil()
        )
    }
}
