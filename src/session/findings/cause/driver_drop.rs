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
/// A driver that takes more, per 12 V, feeds nothing: its circuit is open, V.
const MOST_V: f64 = 8.0;

impl Cause for DriverDrop {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let size = FigurePrior { center: VOLTS.center * context.prior.scale, ..VOLTS };
        let candidates = context.coils().filter(|at| context.is_seen(*at)).flat_map(|at| {
            let kind = match context.prior.model.sides[at] {
                DriverSide::High => FindingKind::FeedLowInBranch,
                DriverSide::Low => FindingKind::GroundResistance,
            };
            // Nothing shows a driver on the low side without load.
            let ways: &[bool] = if kind == FindingKind::GroundResistance { &[false] } else { &[true, false] };
            let most = MOST_V * context.prior.scale;
            ways.iter().map(move |unloaded| {
                let candidate = CauseCandidate::sized(&Self, kind, vec![at], Edit::DriverVolts(at, *unloaded), size);
                CauseCandidate { range: (0.0, most), ..candidate }
            })
        });
        CauseCandidate::share(candidates.collect(), 0.08)
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
