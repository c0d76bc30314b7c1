//! Two circuits exchanged: each position shows what the other should.

use super::{Cause, CauseCandidate, CauseContext, FittedCause};
use crate::session::findings::{FindingKind, circuit::Edit};

pub(super) struct SwappedCoils;

/// Coils of one kind show nothing when they are exchanged; relative difference of their ohms.
const ALIKE: f64 = 0.05;

impl Cause for SwappedCoils {
    fn candidates(&self, context: &CauseContext) -> Vec<CauseCandidate> {
        let nominal = &context.prior.nominal;
        let pairs = context.coils().flat_map(|one| (one + 1..nominal.len()).map(move |other| (one, other)));
        let candidates = pairs
            .filter(|(one, other)| match (nominal[*one], nominal[*other]) {
                (Some(one), Some(other)) => (one / other - 1.0).abs() > ALIKE,
                _ => false,
            })
            .map(|(one, other)| {
                let (kind, coils) = (FindingKind::SwappedTerminals, vec![one, other]);
                CauseCandidate::plain(&Self, kind, coils, Edit::SwappedCoils(one, other))
            });
        CauseCandidate::share(candidates.collect(), 0.03)
    }

    fn sentence(&self, fitted: &FittedCause) -> String {
        let names: Vec<&str> = fitted.coils.iter().map(|at| fitted.layout.coils[*at]).collect();
        format!("{}: swapped connections, each shows what the other should.", names.join(" and "))
    }

    fn next_step(&self, fitted: &FittedCause) -> String {
        let names: Vec<&str> = fitted.coils.iter().map(|at| fitted.layout.coils[*at]).collect();
        format!(
            "Check the wire colours and connector marks of {}, and drive one to see which valve moves.",
            names.join(" and ")
        )
    }
}
