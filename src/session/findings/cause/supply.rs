//! The battery itself: few volts at its posts, or many lost inside it under load.

use super::{Candidate, Cause, Look, Told, rough};
use crate::{
    session::findings::{Kind, spoil::Spoil},
    units::Quantity,
};

pub(super) struct Supply;

impl Cause for Supply {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let mut starts = Vec::new();
        for volts in [6.0, 9.5, 10.6, 11.2, 11.8, 12.5] {
            for ohms in [0.03, 0.2] {
                starts.push(vec![volts * look.sound.scale, ohms]);
            }
        }
        let bounds = vec![(1.0, 13.0 * look.sound.scale), (2e-3, 50.0)];
        vec![Candidate {
            cause: &Self,
            kind: Kind::WeakSupply,
            coils: Vec::new(),
            spoil: Spoil::Battery,
            starts,
            bounds,
        }]
    }

    fn sentence(&self, told: &Told) -> String {
        let volts = rough(told.figure(0), Quantity::VoltsDc);
        format!("Weak supply: the battery gives {volts} without load behind {} inside.", told.ohms(1))
    }

    fn closer(&self, _: &Told) -> String {
        "Charge the battery, let it rest, and test it under its rated load before any coil is judged; measure at the posts themselves, not at the clamps.".to_owned()
    }
}
