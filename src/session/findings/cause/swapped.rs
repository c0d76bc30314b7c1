//! Two circuits exchanged: each position shows what the other should.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{Kind, spoil::Spoil};

pub(super) struct Swapped;

/// Coils of one kind show nothing when they are exchanged; relative difference of their ohms.
const ALIKE: f64 = 0.05;

impl Cause for Swapped {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let nominal = &look.sound.nominal;
        let pairs = look.coils().flat_map(|one| (one + 1..nominal.len()).map(move |other| (one, other)));
        pairs
            .filter(|(one, other)| match (nominal[*one], nominal[*other]) {
                (Some(one), Some(other)) => (one / other - 1.0).abs() > ALIKE,
                _ => false,
            })
            .map(|(one, other)| {
                Candidate::plain(&Self, Kind::SwappedTerminals, vec![one, other], Spoil::Swapped(one, other))
            })
            .collect()
    }

    fn sentence(&self, told: &Told) -> String {
        let names: Vec<&str> = told.coils.iter().map(|at| told.layout.coils[*at]).collect();
        format!("{}: swapped, each shows what the other should.", names.join(" and "))
    }

    fn closer(&self, told: &Told) -> String {
        let names: Vec<&str> = told.coils.iter().map(|at| told.layout.coils[*at]).collect();
        format!(
            "Follow wire colours and connector marks of {}, and drive one to see which valve moves.",
            names.join(" and ")
        )
    }
}
