//! A feed wire chafed on the frame: the feed of this coil breaks down, and its driver or fuse holds the
//! current back as it is built to. That current is therefore a figure to be fitted.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{FindingKind, Role, fault::Fault, model::Measurand};

pub(super) struct ShortToGround;

impl Cause for ShortToGround {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let candidate = |at: usize| {
            let held = context.layout.observations.observation(context.layout.coils[at], Role::CoilAmps, None);
            let amps = held.and_then(|observation| observation.uncertain()).map_or(5.0, |amps| amps.value.max(0.02));
            let starts = [0.02, 0.1, 0.3, 1.0].map(|ohms| vec![ohms, amps]).into();
            CauseCandidate {
                cause: &Self,
                kind: FindingKind::ShortToGround,
                coils: vec![at],
                fault: Fault::ShortToGround(at),
                starts,
                bounds: vec![(2e-3, super::parallel::LEAST_OHMS), (1e-3, 100.0)],
            }
        };
        context.coils().map(candidate).collect()
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let seen = fitted.coils.iter().any(|at| {
            [Measurand::HarnessFeed(*at), Measurand::CoilFeed(*at), Measurand::ToGround(*at)]
                .into_iter()
                .any(|measurand| fitted.layout.has(measurand))
        });
        // Amps alone show the limit of the driver, not the ohms.
        let through = if seen { format!(", through about {}", fitted.ohms(0)) } else { String::new() };
        format!("{}: short to ground in its feed wire{through}.", fitted.coil())
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        format!(
            "Key off, the {} unplugged: measure ohms from its harness feed pin to the frame while moving the harness, and unplug one connector after the other until the short is gone.",
            fitted.coil()
        )
    }
}
