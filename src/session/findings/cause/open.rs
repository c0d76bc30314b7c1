//! A broken path: nothing flows, and the volts show on which side of the break they stop.

use super::{Candidate, Cause, Look, Told, place_word};
use crate::session::findings::{
    Kind,
    model::What,
    spoil::{Seat, Spoil},
};

pub(super) struct Open;

impl Cause for Open {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let layout = look.layout;
        let mut found = Vec::new();
        for at in look.coils() {
            let mut seats = Vec::new();
            // Told apart by ohms of the unplugged coil, by volts in front of it, by volts behind it.
            if layout.has(What::CoilOhms(at)) {
                seats.push(Seat::Coil(at));
            }
            if layout.has(What::HarnessFeed(at)) || layout.has(What::CoilFeed(at)) || layout.has(What::FeedDrop(at)) {
                seats.push(Seat::FeedWire(at));
            }
            if layout.has(What::CoilGround(at)) {
                seats.push(Seat::GroundWire(at));
            } else {
                seats.push(Seat::Hidden(at));
            }
            found.extend(
                seats.into_iter().map(|seat| Candidate::plain(&Self, Kind::OpenCircuit, vec![at], Spoil::Broken(seat))),
            );
        }
        found
    }

    fn sentence(&self, told: &Told) -> String {
        match told.spoil {
            Spoil::Broken(Seat::Coil(_)) => format!("{}: the coil's winding is open.", told.coil()),
            Spoil::Broken(Seat::Hidden(_)) => {
                format!("{}: the circuit is open where nothing was measured.", told.coil())
            }
            Spoil::Broken(seat) => format!("{}: the circuit is open {}.", told.coil(), place_word(seat)),
            _ => format!("{}: the circuit is open.", told.coil()),
        }
    }

    fn closer(&self, told: &Told) -> String {
        let coil = told.coil();
        match told.spoil {
            Spoil::Broken(Seat::Coil(_)) => format!(
                "Measure the ohms of the {coil} once more at its own terminals, wiggling the leads' entry, before it is replaced."
            ),
            Spoil::Broken(Seat::FeedWire(_)) => format!(
                "Follow the volts from the shared feed to the {coil}: fuse, driver, wire, pin; the break is where they stop."
            ),
            Spoil::Broken(Seat::GroundWire(_)) => format!(
                "With the {coil} driven, measure from its ground terminal, then from each joint behind it, to battery negative: the break is between full volts and none."
            ),
            _ => format!(
                "With the {coil} driven, measure from its feed and from its ground terminal to battery negative."
            ),
        }
    }
}
