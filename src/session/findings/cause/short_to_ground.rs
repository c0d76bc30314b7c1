//! A feed wire chafed on the frame: the feed of this coil breaks down, and its driver or fuse holds the
//! current back as it is built to. That current is therefore a figure to be fitted.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{Kind, Role, model::What, spoil::Spoil};

pub(super) struct ShortToGround;

impl Cause for ShortToGround {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let candidate = |at: usize| {
            let held = look.layout.case.fact(look.layout.coils[at], Role::CoilAmps, None);
            let amps = held.and_then(|fact| fact.uncertain()).map_or(5.0, |amps| amps.value.max(0.02));
            let starts = [0.02, 0.1, 0.3, 1.0].map(|ohms| vec![ohms, amps]).into();
            Candidate {
                cause: &Self,
                kind: Kind::ShortToGround,
                coils: vec![at],
                spoil: Spoil::ShortToGround(at),
                starts,
                bounds: vec![(2e-3, super::parallel::LEAST_OHMS), (1e-3, 100.0)],
            }
        };
        look.coils().map(candidate).collect()
    }

    fn sentence(&self, told: &Told) -> String {
        let seen = told.coils.iter().any(|at| {
            [What::HarnessFeed(*at), What::CoilFeed(*at), What::ToGround(*at)]
                .into_iter()
                .any(|what| told.layout.has(what))
        });
        // Amps alone are what the driver allows, and say nothing of the ohms.
        let through = if seen { format!(", through about {}", told.ohms(0)) } else { String::new() };
        format!("{}: short to ground in its feed wire{through}.", told.coil())
    }

    fn closer(&self, told: &Told) -> String {
        format!(
            "Key off, the {} unplugged: measure ohms from its harness feed pin to the frame while the harness is moved, and unplug joint after joint until the short is gone.",
            told.coil()
        )
    }
}
