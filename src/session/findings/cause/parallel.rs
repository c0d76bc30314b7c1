//! Something beside a coil that carries current: feed and ohms are good, amps are too many.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{Kind, spoil::Spoil};

pub(super) struct Parallel;

/// Less is called a short: some amps more than any valve driver is made for.
pub(super) const LEAST_OHMS: f64 = 3.0;

impl Cause for Parallel {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let starts = [3.5, 6.0, 10.0, 20.0, 40.0, 120.0];
        look.coils()
            .map(|at| {
                let (kind, spoil) = (Kind::ParallelPath, Spoil::Beside(at));
                Candidate::one_figure(&Self, kind, vec![at], spoil, &starts, (LEAST_OHMS, 1e4))
            })
            .collect()
    }

    fn sentence(&self, told: &Told) -> String {
        format!(
            "{}: a parallel path, about {} from its feed wire to ground beside the coil.",
            told.coil(),
            told.ohms(0)
        )
    }

    fn closer(&self, told: &Told) -> String {
        format!(
            "Unplug the {} and hold its driver on: the amps that still flow do not go through the coil; look for a chafed wire, water in a connector, or another part on the same wire.",
            told.coil()
        )
    }
}
