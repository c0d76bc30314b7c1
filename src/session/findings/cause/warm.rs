//! All coils warm: more ohms in the same measure everywhere, and nothing wrong.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{Kind, model::What, spoil::Spoil};

pub(super) struct Warm;

impl Cause for Warm {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let seen = look.coils().any(|at| look.sound.nominal[at].is_some() && look.layout.has(What::CoilOhms(at)));
        if !seen || look.layout.case.part_celsius.is_some() {
            return Vec::new();
        }
        // To some 110 °C: what a coil that worked all day may have (common practice, no source).
        vec![Candidate::one_figure(
            &Self,
            Kind::WarmCoils,
            Vec::new(),
            Spoil::Warmer,
            &[15.0, 25.0, 40.0, 60.0, 80.0],
            (5.0, 85.0),
        )]
    }

    fn sentence(&self, told: &Told) -> String {
        let celsius = told.sound.parts.celsius + told.figure(0);
        format!("The coils' ohms are those of sound coils at about {celsius:.0} °C; nobody measured their temperature.")
    }

    fn closer(&self, _: &Told) -> String {
        "Measure a coil's temperature, or its ohms again when all has cooled down, before any coil is condemned."
            .to_owned()
    }
}
