//! Resistance in one coil's circuit that shows under load only, and the side on which the drops find it.

use super::{Candidate, Cause, Look, Told, place_word, rough};
use crate::{
    session::findings::{
        Kind,
        model::What,
        spoil::{Seat, Spoil},
    },
    units::Quantity,
};

pub(super) struct Series;

impl Cause for Series {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        let layout = look.layout;
        let mut found = Vec::new();
        for at in look.coils() {
            let mut seats = vec![(Seat::Hidden(at), Kind::UnplacedResistance)];
            if layout.has(What::CoilFeed(at)) || layout.has(What::FeedDrop(at)) || layout.has(What::FeedPin(at)) {
                seats.push((Seat::FeedWire(at), Kind::FeedResistance));
            }
            if layout.has(What::FeedPin(at)) {
                seats.push((Seat::FeedPin(at), Kind::ConnectorResistance));
            }
            if layout.has(What::CoilGround(at)) || layout.has(What::GroundPin(at)) {
                seats.push((Seat::GroundWire(at), Kind::GroundResistance));
            }
            if layout.has(What::GroundPin(at)) {
                seats.push((Seat::GroundPin(at), Kind::ConnectorResistance));
            }
            found.extend(seats.into_iter().map(|(seat, kind)| {
                let starts = [0.2, 0.5, 1.0, 2.0, 4.0, 10.0, 40.0];
                Candidate::one_figure(&Self, kind, vec![at], Spoil::Ohms(seat), &starts, (0.02, 1e5))
            }));
        }
        found
    }

    fn sentence(&self, told: &Told) -> String {
        let Spoil::Ohms(seat) = told.spoil else { return String::new() };
        let place = match (seat, self.unmeasured(told)) {
            (Seat::Hidden(_), Some("feed or ground")) => {
                "somewhere in its feed, its ground or the coil: no drop was measured".to_owned()
            }
            (Seat::Hidden(_), Some(side)) => format!("on the {side} side or in the coil, where no drop was measured"),
            (Seat::Hidden(_), None) => "in the coil itself or at its terminals: no drop accounts for it".to_owned(),
            _ => place_word(seat).to_owned(),
        };
        let ohms = rough(self.in_series(told, seat), Quantity::Ohms);
        format!("{}: {ohms} more under load than at rest, {place}.", told.coil())
    }

    fn closer(&self, told: &Told) -> String {
        let coil = told.coil();
        let Spoil::Ohms(seat) = told.spoil else { return String::new() };
        match seat {
            Seat::FeedWire(_) => format!(
                "With the {coil} held on, measure from battery positive to each joint on its way: fuse, driver, connector; the drop jumps at the bad one."
            ),
            Seat::GroundWire(_) => format!(
                "With the {coil} held on, measure from its ground terminal to the shared ground stud, then across its connector's ground pin: the larger drop holds the bad joint."
            ),
            Seat::FeedPin(_) | Seat::GroundPin(_) => {
                format!(
                    "Unplug the {coil}, look at the pin for corrosion and its grip, and measure its drop again after cleaning."
                )
            }
            _ => format!(
                "First make sure that its driver holds the {coil} fully on: one that switches fast shows less amps on a clamp, and nothing is wrong. Measure its feed unplugged with the driver on: low already means feed or driver. Then, with the coil held on, from battery positive to its feed terminal and from its ground terminal to battery negative."
            ),
        }
    }
}

impl Series {
    /// All that stands in series with the coil there, the sound wires' share included: what the technician finds
    /// who reckons volts over amps less ohms.
    fn in_series(&self, told: &Told, seat: Seat) -> f64 {
        let Some(at) = seat.branch() else { return told.figure(0) };
        let branch = &told.parts.branches[at];
        let pin = |ohms: f64, what| if told.layout.has(what) { 0.0 } else { ohms };
        match seat {
            Seat::FeedWire(_) => branch.feed_wire + pin(branch.feed_pin, What::FeedPin(at)),
            Seat::GroundWire(_) => branch.ground_wire + pin(branch.ground_pin, What::GroundPin(at)),
            Seat::Hidden(_) => {
                branch.hidden + branch.feed_wire + branch.feed_pin + branch.ground_pin + branch.ground_wire
            }
            _ => told.figure(0),
        }
    }

    /// The sides whose drop nobody measured, in words.
    fn unmeasured(&self, told: &Told) -> Option<&'static str> {
        let at = *told.coils.first()?;
        let feed = told.layout.has(What::CoilFeed(at)) || told.layout.has(What::FeedDrop(at));
        let ground = told.layout.has(What::CoilGround(at));
        match (feed, ground) {
            (true, true) => None,
            (true, false) => Some("ground"),
            (false, true) => Some("feed"),
            (false, false) => Some("feed or ground"),
        }
    }
}
