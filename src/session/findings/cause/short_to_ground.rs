//! A feed wire chafed on the frame, on either side of the clamp, through few ohms or many. A driver may hold the current
//! back as it is built to; that current is then a figure to be fitted.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::{
    procedure::DriverSide,
    session::findings::{
        FindingKind,
        circuit::{Edit, FigurePrior, LeakPlace},
    },
};

pub(super) struct ShortToGround;

const OHMS: FigurePrior = FigurePrior::log_normal(2.5, 1.6);
const HARD_OHMS: FigurePrior = FigurePrior::log_normal(0.3, 1.2);
const LIMIT_AMPS: FigurePrior = FigurePrior::log_normal(6.0, 0.8);

impl Cause for ShortToGround {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let kind = FindingKind::ShortToGround;
        let mut found = Vec::new();
        for at in context.coils().filter(|at| context.is_seen(*at)) {
            let leak = |place| CauseCandidate::sized(&Self, kind, vec![at], Edit::LeakToGround(at, place), OHMS);
            found.push(leak(LeakPlace::BehindClamp));
            match context.prior.model.sides[at] {
                DriverSide::High => {
                    found.push(leak(LeakPlace::BeforeClamp));
                    let limited = CauseCandidate::plain(&Self, kind, vec![at], Edit::LimitedLeak(at));
                    let starts = [[-1.0, 0.0], [1.0, 0.0], [0.0, -1.5]].map(|start| start.to_vec()).into();
                    found.push(CauseCandidate { sizes: vec![HARD_OHMS, LIMIT_AMPS], starts, ..limited });
                }
                DriverSide::Low => found.push(leak(LeakPlace::GroundSide)),
            }
        }
        CauseCandidate::share(found, 0.1)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let is_ground_side = matches!(fitted.edit, Edit::LeakToGround(_, LeakPlace::GroundSide));
        let wire = if is_ground_side { "the wire to its driver" } else { "its feed wire" };
        format!("{}: short to ground in {wire}, through about {}.", fitted.coil(), fitted.ohms(0))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Key off, the {} unplugged: measure ohms from its harness feed pin to the frame while moving the harness, and unplug one connector after the other until the short is gone.",
            fitted.coil()
        )
    }
}
