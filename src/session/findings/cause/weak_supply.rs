//! The battery itself: few volts at its posts, or many lost inside it under load.

use super::{Cause, CauseCandidate, CauseContext, FittedCause, show_rounded};
use crate::{
    session::findings::{
        FindingKind,
        circuit::{Edit, FigurePrior},
    },
    units::Quantity,
};

pub(super) struct WeakSupply;

/// No battery has more by itself, however well charged: something charges it, per 12 V, V.
const MOST_V: f64 = 13.0;

impl Cause for WeakSupply {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let scale = context.prior.scale;
        let sizes = vec![FigurePrior::normal(11.3 * scale, 0.8 * scale), FigurePrior::log_normal(0.06, 1.0)];
        let starts = [[0.0, 0.0], [1.0, 0.0], [-1.5, 1.0], [1.5, 1.5], [-5.0, 0.0]].map(|start| start.to_vec()).into();
        let plain = CauseCandidate::plain(&Self, FindingKind::WeakSupply, Vec::new(), Edit::WeakBattery);
        vec![CauseCandidate { sizes, starts, odds: 0.08, range: (0.0, MOST_V * scale), ..plain }]
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let volts = show_rounded(fitted.size(0), Quantity::VoltsDc);
        format!("Weak supply: the battery has {volts} without load and an internal resistance of {}.", fitted.ohms(1))
    }

    fn next_step(&self, _: &FittedCause) -> String {
        "Charge the battery, let it rest, and test it under its rated load before judging any coil. Measure at the posts themselves, not at the clamps.".to_owned()
    }
}
