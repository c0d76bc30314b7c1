//! A driver that keeps volts for itself: it fails, or it switches on and off, which means can't tell apart.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    procedure::DriverSide,
    session::findings::{
        FindingKind,
        circuit::{Edit, FigurePrior},
    },
    units::Quantity,
};

pub(super) struct DriverDrop;

const VOLTS: FigurePrior = FigurePrior::log_normal(1.6, 0.7);
/// What takes volts without load as well is a junction more, or switches: it takes more than half a volt.
const UNLOADED_VOLTS: FigurePrior = FigurePrior::log_normal(2.0, 0.55);
const LOADED_ODDS: f64 = 0.07;
const UNLOADED_ODDS: f64 = 0.04;
/// One that takes so little more than the others does not fail: a good transistor may take as much in all, V (common practice, no
/// source).
const LEAST_V: f64 = 0.3;
/// A driver that takes more, per 12 V, feeds nothing: its circuit is open, V.
const MOST_V: f64 = 8.0;

impl Cause for DriverDrop {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let size = |unloaded| {
            let volts = if unloaded { UNLOADED_VOLTS } else { VOLTS };
            FigurePrior { center: volts.center * context.prior.scale, ..volts }
        };
        let most = MOST_V * context.prior.scale;
        let (mut loaded, mut always) = (Vec::new(), Vec::new());
        for at in context.coils().filter(|at| context.is_seen(*at)) {
            let kind = match context.prior.model.sides[at] {
                DriverSide::High => FindingKind::FeedLowInBranch,
                DriverSide::Low => FindingKind::GroundResistance,
            };
            let candidate = |unloaded| {
                let edit = Edit::DriverVolts(at, unloaded);
                let candidate = CauseCandidate::sized(&Self, kind, vec![at], edit, size(unloaded));
                CauseCandidate { range: (LEAST_V, most), ..candidate }
            };
            loaded.push(candidate(false));
            // Nothing shows a driver on the low side without load.
            if kind == FindingKind::FeedLowInBranch {
                always.push(candidate(true));
            }
        }
        let mut found = CauseCandidate::share(loaded, LOADED_ODDS);
        found.extend(CauseCandidate::share(always, UNLOADED_ODDS));
        found
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let volts = show_rounded(fitted.size(0), Quantity::VoltsDc);
        format!(
            "{}: its driver takes about {volts} while it is on: it fails, or it switches the coil on and off fast.",
            fitted.coil()
        )
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Look at the waveform at the {} with a fast channel: volts that a driver drops are steady, those of one that switches are not.",
            fitted.coil()
        )
    }
}
