//! Faults that can be put into the circuit: what a technician would have to find.
//!
//! A fault changes parts of a [`LoaderCircuit`] and nothing else; what the meters show follows from the sums.
//! Several can be applied one after the other. Knows no meter and no limit.

use std::time::Duration;

use super::circuit::{ContactState, LoaderCircuit, LoaderCoil, StrayPath, Winding};
use super::noise::Noise;

/// One fault with its size. Additional resistance is on top of what a good part has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SimulatedFault {
    /// Nothing is wrong.
    None,
    /// A winding is broken: no ohms, no amps, feed volts as they should be.
    OpenCoil {
        /// Whose winding.
        coil: LoaderCoil,
    },
    /// A winding has shorted turns: few ohms and too many amps, which agree with each other.
    ShortCoil {
        /// Whose winding.
        coil: LoaderCoil,
        /// What is left at 20 °C, ohm.
        ohms_20: f64,
    },
    /// A winding of too many ohms: too few amps, which agree with the ohms.
    HighCoil {
        /// Whose winding.
        coil: LoaderCoil,
        /// What it has at 20 °C, ohm.
        ohms_20: f64,
    },
    /// The stud that all coils share: shows under load only, and more with each coil that runs.
    CorrodedGroundStud {
        /// Additional, ohm.
        ohms: f64,
    },
    /// A feed pin: volts and ohms are good, amps are too few, the drop is in front of the coil.
    CorrodedFeedPin {
        /// In whose connector.
        coil: LoaderCoil,
        /// Additional, ohm.
        ohms: f64,
    },
    /// A ground pin: volts and ohms are good, amps are too few, the drop is behind the coil.
    CorrodedGroundPin {
        /// In whose connector.
        coil: LoaderCoil,
        /// Additional, ohm.
        ohms: f64,
    },
    /// Resistance in the shared feed: the battery is good, the block's feed is low and lower under load.
    FeedLowEverywhere {
        /// Additional, ohm.
        ohms: f64,
    },
    /// A driver that no longer switches through: the feed of one coil is low even without load.
    FeedLowInBranch {
        /// Whose driver.
        coil: LoaderCoil,
        /// What the driver keeps, volt.
        lost_v: f64,
    },
    /// A wire chafed on one that is always live: the coil has amps with its driver off.
    ShortToFeed {
        /// Whose feed wire.
        coil: LoaderCoil,
        /// Of the touch, ohm.
        ohms: f64,
    },
    /// A wire chafed on the frame: the driver limits its current, the feed of this coil breaks down.
    ShortToGround {
        /// Whose feed wire.
        coil: LoaderCoil,
        /// Of the touch, ohm.
        ohms: f64,
    },
    /// Two coils' terminals exchanged at the block: each position shows the other's ohms and amps.
    SwappedTerminals {
        /// The one.
        one: LoaderCoil,
        /// The other.
        other: LoaderCoil,
    },
    /// Something beside the coil at its feed pin: ohms and feed are good, amps are too many.
    ParallelPath {
        /// Beside whose feed pin.
        coil: LoaderCoil,
        /// To the frame, ohm.
        ohms: f64,
    },
    /// The work light's fuse is blown: a terminal that is dead. It is no fault of a coil's circuit, so none by chance.
    BlownWorkLightFuse,
    /// A driver that lets go late at every second release of its lever: held on, the coil shows nothing of it. None by chance,
    /// since it shows on a drive alone.
    LateRelease {
        /// Whose driver.
        coil: LoaderCoil,
        /// How late.
        delay: Duration,
    },
    /// A feed pin that opens for a moment when the machine is shaken: standing still, all is good. None by chance either.
    LooseFeedPin {
        /// In whose connector.
        coil: LoaderCoil,
    },
    /// The battery: few volts at its posts, and fewer under load.
    WeakBattery {
        /// Without load, volt.
        battery_v: f64,
        /// Inside, ohm.
        ohms: f64,
    },
}

impl SimulatedFault {
    /// How many kinds there are, [`SimulatedFault::None`] among them.
    pub const KINDS: usize = 14;

    /// A fault of a kind (counted from 0, which is none) with a place and a size by chance.
    ///
    /// Sizes are such that a technician with ordinary meters could find each.
    pub fn of_kind(kind: usize, noise: &mut Noise) -> Self {
        let coil = LoaderCoil::ALL[noise.pick(LoaderCoil::ALL.len())];
        match kind % Self::KINDS {
            0 => Self::None,
            1 => Self::OpenCoil { coil },
            2 => Self::ShortCoil { coil, ohms_20: coil.nominal_ohms() * noise.between(0.2, 0.6) },
            3 => Self::HighCoil { coil, ohms_20: coil.nominal_ohms() * noise.between(1.25, 1.8) },
            4 => Self::CorrodedGroundStud { ohms: noise.between(0.03, 0.3) },
            5 => Self::CorrodedFeedPin { coil, ohms: noise.between(1.0, 4.0) },
            6 => Self::CorrodedGroundPin { coil, ohms: noise.between(1.0, 4.0) },
            7 => Self::FeedLowEverywhere { ohms: noise.between(0.6, 1.5) },
            8 => Self::FeedLowInBranch { coil, lost_v: noise.between(1.5, 4.0) },
            9 => Self::ShortToFeed { coil, ohms: noise.between(0.01, 0.5) },
            10 => Self::ShortToGround { coil, ohms: noise.between(0.01, 0.4) },
            11 => Self::SwappedTerminals {
                // Two of a kind exchanged would show the same ohms and amps as before.
                one: LoaderCoil::PROPORTIONAL[noise.pick(LoaderCoil::PROPORTIONAL.len())],
                other: LoaderCoil::ON_OFF[noise.pick(LoaderCoil::ON_OFF.len())],
            },
            12 => Self::ParallelPath { coil, ohms: noise.between(5.0, 25.0) },
            _ => Self::WeakBattery { battery_v: noise.between(10.6, 11.5), ohms: noise.between(0.05, 0.25) },
        }
    }

    /// Any fault, or none, each kind as often as the others.
    pub fn any(noise: &mut Noise) -> Self {
        let kind = noise.pick(Self::KINDS);
        Self::of_kind(kind, noise)
    }

    /// Puts the fault into the circuit.
    pub fn apply(&self, circuit: &mut LoaderCircuit) {
        match *self {
            Self::None => {}
            Self::OpenCoil { coil } => circuit.windings[coil.index()] = Winding::Open,
            Self::ShortCoil { coil, ohms_20 } | Self::HighCoil { coil, ohms_20 } => {
                circuit.windings[coil.index()] = Winding::Intact { ohms_20 };
            }
            Self::CorrodedGroundStud { ohms } => circuit.ground_ohms += ohms,
            Self::CorrodedFeedPin { coil, ohms } => circuit.branch_mut(coil).feed_pin_ohms += ohms,
            Self::CorrodedGroundPin { coil, ohms } => circuit.branch_mut(coil).ground_pin_ohms += ohms,
            Self::FeedLowEverywhere { ohms } => circuit.feed_ohms += ohms,
            Self::FeedLowInBranch { coil, lost_v } => circuit.branch_mut(coil).driver_lost_v += lost_v,
            Self::ShortToFeed { coil, ohms } => circuit.branch_mut(coil).from_feed = StrayPath::Through { ohms },
            Self::ShortToGround { coil, ohms } | Self::ParallelPath { coil, ohms } => {
                circuit.branch_mut(coil).to_frame = StrayPath::Through { ohms };
            }
            Self::SwappedTerminals { one, other } => {
                let (behind_one, behind_other) = (circuit.branch(one).reaches, circuit.branch(other).reaches);
                circuit.branch_mut(one).reaches = behind_other;
                circuit.branch_mut(other).reaches = behind_one;
            }
            Self::BlownWorkLightFuse => circuit.work_light_fuse = ContactState::Open,
            Self::LateRelease { coil, delay } => circuit.branch_mut(coil).release_delay = delay,
            Self::LooseFeedPin { coil } => circuit.branch_mut(coil).pin_when_shaken = ContactState::Open,
            Self::WeakBattery { battery_v, ohms } => (circuit.battery_v, circuit.battery_ohms) = (battery_v, ohms),
        }
    }

    /// The kind in a few words.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::None => "nothing wrong",
            Self::OpenCoil { .. } => "open coil",
            Self::ShortCoil { .. } => "shorted turns",
            Self::HighCoil { .. } => "coil resistance too high",
            Self::CorrodedGroundStud { .. } => "corroded ground stud",
            Self::CorrodedFeedPin { .. } => "corroded feed pin",
            Self::CorrodedGroundPin { .. } => "corroded ground pin",
            Self::FeedLowEverywhere { .. } => "feed low everywhere",
            Self::FeedLowInBranch { .. } => "feed low in one branch",
            Self::ShortToFeed { .. } => "short to feed",
            Self::ShortToGround { .. } => "short to ground",
            Self::SwappedTerminals { .. } => "swapped terminals",
            Self::ParallelPath { .. } => "parallel path",
            Self::BlownWorkLightFuse => "blown work light fuse",
            Self::LateRelease { .. } => "driver lets go late",
            Self::LooseFeedPin { .. } => "loose feed pin",
            Self::WeakBattery { .. } => "weak battery",
        }
    }

    /// The fault for people: what, where and how much.
    pub fn word(&self) -> String {
        let kind = self.kind();
        match *self {
            Self::None | Self::BlownWorkLightFuse => kind.to_owned(),
            Self::OpenCoil { coil } | Self::LooseFeedPin { coil } => format!("{kind}: {}", coil.word()),
            Self::LateRelease { coil, delay } => format!("{kind}: {}, by {} ms", coil.word(), delay.as_millis()),
            Self::ShortCoil { coil, ohms_20 } | Self::HighCoil { coil, ohms_20 } => {
                format!("{kind}: {}, {ohms_20:.2} ohm at 20 °C instead of {:.2}", coil.word(), coil.nominal_ohms())
            }
            Self::CorrodedGroundStud { ohms } | Self::FeedLowEverywhere { ohms } => {
                format!("{kind}: {ohms:.3} ohm extra")
            }
            Self::CorrodedFeedPin { coil, ohms } | Self::CorrodedGroundPin { coil, ohms } => {
                format!("{kind}: {}, {ohms:.2} ohm extra", coil.word())
            }
            Self::FeedLowInBranch { coil, lost_v } => format!("{kind}: {}, driver drops {lost_v:.2} V", coil.word()),
            Self::ShortToFeed { coil, ohms }
            | Self::ShortToGround { coil, ohms }
            | Self::ParallelPath { coil, ohms } => {
                format!("{kind}: {}, through {ohms:.2} ohm", coil.word())
            }
            Self::SwappedTerminals { one, other } => format!("{kind}: {} and {}", one.word(), other.word()),
            Self::WeakBattery { battery_v, ohms } => {
                format!("{kind}: {battery_v:.2} V, internal resistance {ohms:.3} ohm")
            }
        }
    }
}

/// What is wrong with the demo's machine unless something else is asked for: a corroded ground stud, which
/// only everything together brings to light, a tilt coil unlike its siblings, a terminal that is dead, and what only a drive
/// shows: a tilt driver that lets go late, and a pin that is loose.
pub fn default_faults() -> Vec<SimulatedFault> {
    vec![
        SimulatedFault::CorrodedGroundStud { ohms: 0.045 },
        SimulatedFault::HighCoil { coil: LoaderCoil::Tilt, ohms_20: 9.4 },
        SimulatedFault::BlownWorkLightFuse,
        SimulatedFault::LateRelease { coil: LoaderCoil::Tilt, delay: Duration::from_millis(400) },
        SimulatedFault::LooseFeedPin { coil: LoaderCoil::Lift },
    ]
}

/// A good block that is not quite like the next one: windings within 2 %, joints a little better or worse,
/// another temperature. The spread is invented, and well inside what the procedure allows.
pub fn varied_circuit(noise: &mut Noise) -> LoaderCircuit {
    let mut circuit = LoaderCircuit::healthy();
    circuit.coil_celsius = noise.between(10.0, 40.0);
    circuit.battery_v = noise.between(12.5, 12.8);
    circuit.battery_ohms *= noise.between(0.7, 1.5);
    circuit.feed_ohms *= noise.between(0.7, 1.5);
    circuit.ground_ohms *= noise.between(0.6, 1.6);
    for winding in &mut circuit.windings {
        if let Winding::Intact { ohms_20 } = winding {
            *ohms_20 *= 1.0 + noise.within(0.02);
        }
    }
    for branch in &mut circuit.branches {
        branch.feed_pin_ohms *= noise.between(0.5, 2.0);
        branch.ground_pin_ohms *= noise.between(0.5, 2.0);
        branch.wire_ohms *= noise.between(0.8, 1.2);
    }
    circuit
}

#[cfg(test)]
mod tests;
