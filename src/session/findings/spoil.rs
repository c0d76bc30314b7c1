//! What a cause changes in the circuit, by how much: the figures that are fitted.

use super::model::Parts;

/// A place for a resistance in series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Seat {
    SharedFeed,
    SharedGround,
    FeedWire(usize),
    FeedPin(usize),
    GroundPin(usize),
    GroundWire(usize),
    /// Under load only, where no drop is measured.
    Hidden(usize),
    /// The coil's winding.
    Coil(usize),
}

/// One change; its figures are given when it is applied.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Spoil {
    /// One figure: ohms in series.
    Ohms(Seat),
    /// No figure: nothing conducts there.
    Broken(Seat),
    /// One figure: the coil has so many times its ohms.
    CoilTimes(usize),
    /// One figure: the driver keeps so many volts.
    LostVolts(usize),
    /// Two figures: ohms from the feed wire to the frame, and the amps that the driver then gives.
    ShortToGround(usize),
    /// One figure: ohms from the feed wire to the frame.
    Beside(usize),
    /// One figure: ohms from battery positive to the feed wire.
    ShortToFeed(usize),
    /// No figure: two coils are exchanged.
    Swapped(usize, usize),
    /// Two figures: volts and ohms of the battery.
    Battery,
    /// One figure: kelvin by which all coils are warmer.
    Warmer,
}

/// Ohms of what does not conduct.
const BROKEN: f64 = 1e7;

impl Spoil {
    /// Changes the circuit by these figures.
    pub(super) fn apply(self, figures: &[f64], parts: &mut Parts) {
        let figure = |at: usize| figures.get(at).copied().unwrap_or(0.0);
        match self {
            Self::Ohms(seat) => *slot(parts, seat) += figure(0),
            Self::Broken(seat) => *slot(parts, seat) += BROKEN,
            Self::CoilTimes(at) => parts.branches[at].coil_ohms *= figure(0),
            Self::LostVolts(at) => parts.branches[at].lost_v += figure(0),
            Self::ShortToGround(at) => {
                let branch = &mut parts.branches[at];
                branch.leak += 1.0 / figure(0).max(1e-4);
                branch.limited_a = Some(figure(1));
            }
            Self::Beside(at) => parts.branches[at].leak += 1.0 / figure(0).max(1e-4),
            Self::ShortToFeed(at) => parts.branches[at].from_feed = Some(figure(0)),
            Self::Swapped(one, other) => {
                let ohms = parts.branches[one].coil_ohms;
                parts.branches[one].coil_ohms = parts.branches[other].coil_ohms;
                parts.branches[other].coil_ohms = ohms;
            }
            Self::Battery => (parts.emf, parts.battery_ohms) = (figure(0), figure(1)),
            Self::Warmer => parts.celsius += figure(0),
        }
    }

    /// The branches that it changes; empty where it changes what all share.
    pub(super) fn branches(self) -> Vec<usize> {
        match self {
            Self::Ohms(seat) | Self::Broken(seat) => seat.branch().into_iter().collect(),
            Self::CoilTimes(at)
            | Self::LostVolts(at)
            | Self::ShortToGround(at)
            | Self::Beside(at)
            | Self::ShortToFeed(at) => vec![at],
            Self::Swapped(one, other) => vec![one, other],
            Self::Battery | Self::Warmer => Vec::new(),
        }
    }
}

impl Seat {
    /// The branch that it is in.
    pub(super) const fn branch(self) -> Option<usize> {
        match self {
            Self::SharedFeed | Self::SharedGround => None,
            Self::FeedWire(at)
            | Self::FeedPin(at)
            | Self::GroundPin(at)
            | Self::GroundWire(at)
            | Self::Hidden(at)
            | Self::Coil(at) => Some(at),
        }
    }
}

fn slot(parts: &mut Parts, seat: Seat) -> &mut f64 {
    match seat {
        Seat::SharedFeed => &mut parts.feed_ohms,
        Seat::SharedGround => &mut parts.ground_ohms,
        Seat::FeedWire(at) => &mut parts.branches[at].feed_wire,
        Seat::FeedPin(at) => &mut parts.branches[at].feed_pin,
        Seat::GroundPin(at) => &mut parts.branches[at].ground_pin,
        Seat::GroundWire(at) => &mut parts.branches[at].ground_wire,
        Seat::Hidden(at) => &mut parts.branches[at].hidden,
        Seat::Coil(at) => &mut parts.branches[at].coil_ohms,
    }
}
