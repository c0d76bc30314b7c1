//! What a cause changes in the circuit, by how much: the figures that are fitted.

use super::model::CircuitParameters;

/// A place for a resistance in series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FaultLocation {
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
pub(super) enum Fault {
    /// One figure: ohms in series.
    SeriesOhms(FaultLocation),
    /// No figure: nothing conducts there.
    Open(FaultLocation),
    /// One figure: factor on the coil's ohms.
    CoilFactor(usize),
    /// One figure: volts that the driver drops.
    DriverDrop(usize),
    /// Two figures: ohms from the feed wire to the frame, and the amps that the driver then gives.
    ShortToGround(usize),
    /// One figure: ohms from the feed wire to the frame.
    ParallelOhms(usize),
    /// One figure: ohms from battery positive to the feed wire.
    ShortToFeed(usize),
    /// No figure: two coils are exchanged.
    Swapped(usize, usize),
    /// Two figures: volts and ohms of the battery.
    WeakBattery,
    /// One figure: kelvin by which all coils are warmer.
    Warmer,
}

/// Ohms of what does not conduct.
const BROKEN: f64 = 1e7;

impl Fault {
    /// Changes the circuit by these figures.
    pub(super) fn apply(self, figures: &[f64], circuit: &mut CircuitParameters) {
        let figure = |at: usize| figures.get(at).copied().unwrap_or(0.0);
        match self {
            Self::SeriesOhms(location) => *slot(circuit, location) += figure(0),
            Self::Open(location) => *slot(circuit, location) += BROKEN,
            Self::CoilFactor(at) => circuit.branches[at].coil_ohms *= figure(0),
            Self::DriverDrop(at) => circuit.branches[at].lost_v += figure(0),
            Self::ShortToGround(at) => {
                let branch = &mut circuit.branches[at];
                branch.leak += 1.0 / figure(0).max(1e-4);
                branch.limited_a = Some(figure(1));
            }
            Self::ParallelOhms(at) => circuit.branches[at].leak += 1.0 / figure(0).max(1e-4),
            Self::ShortToFeed(at) => circuit.branches[at].from_feed = Some(figure(0)),
            Self::Swapped(one, other) => {
                let ohms = circuit.branches[one].coil_ohms;
                circuit.branches[one].coil_ohms = circuit.branches[other].coil_ohms;
                circuit.branches[other].coil_ohms = ohms;
            }
            Self::WeakBattery => (circuit.emf, circuit.battery_ohms) = (figure(0), figure(1)),
            Self::Warmer => circuit.celsius += figure(0),
        }
    }

    /// The branches that it changes; empty where it changes what all share.
    pub(super) fn branches(self) -> Vec<usize> {
        match self {
            Self::SeriesOhms(location) | Self::Open(location) => location.branch().into_iter().collect(),
            Self::CoilFactor(at)
            | Self::DriverDrop(at)
            | Self::ShortToGround(at)
            | Self::ParallelOhms(at)
            | Self::ShortToFeed(at) => vec![at],
            Self::Swapped(one, other) => vec![one, other],
            Self::WeakBattery | Self::Warmer => Vec::new(),
        }
    }
}

impl FaultLocation {
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

fn slot(circuit: &mut CircuitParameters, location: FaultLocation) -> &mut f64 {
    match location {
        FaultLocation::SharedFeed => &mut circuit.feed_ohms,
        FaultLocation::SharedGround => &mut circuit.ground_ohms,
        FaultLocation::FeedWire(at) => &mut circuit.branches[at].feed_wire,
        FaultLocation::FeedPin(at) => &mut circuit.branches[at].feed_pin,
        FaultLocation::GroundPin(at) => &mut circuit.branches[at].ground_pin,
        FaultLocation::GroundWire(at) => &mut circuit.branches[at].ground_wire,
        FaultLocation::Hidden(at) => &mut circuit.branches[at].hidden,
        FaultLocation::Coil(at) => &mut circuit.branches[at].coil_ohms,
    }
}
