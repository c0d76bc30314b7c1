//! The ground that all coils share: its drop grows with all that runs, and all coils lose together.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{
    Kind,
    model::What,
    spoil::{Seat, Spoil},
};

pub(super) struct SharedGround;

impl Cause for SharedGround {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        // One coil alone can't tell its own ground from a shared one.
        let loaded =
            look.coils().filter(|at| look.layout.has(What::Wire(*at)) || look.layout.has(What::CoilGround(*at)));
        if loaded.count() < 2 && !look.layout.has(What::Stud) {
            return Vec::new();
        }
        let (kind, seat) = (Kind::SharedGround, Seat::SharedGround);
        let starts = [0.015, 0.04, 0.1, 0.2, 0.5, 1.5, 5.0];
        vec![
            Candidate::one_figure(&Self, kind, Vec::new(), Spoil::Ohms(seat), &starts, (1e-3, 1e4)),
            Candidate::plain(&Self, kind, Vec::new(), Spoil::Broken(seat)),
        ]
    }

    fn sentence(&self, told: &Told) -> String {
        match told.spoil {
            Spoil::Broken(_) => "The shared ground is open: no coil gets its current back.".to_owned(),
            _ => format!(
                "Shared ground: {} too many between the ground that all coils share and battery negative.",
                told.ohms(0)
            ),
        }
    }

    fn closer(&self, _: &Told) -> String {
        "With everything running, measure from each joint of the shared ground (stud, strap, frame) to battery negative; clean where the drop jumps, and measure the drop again.".to_owned()
    }
}
