//! A compact loader's hydraulic valve block as an electrical circuit: what its parts are.
//!
//! Battery, feed harness, five coils with their drivers, wires and connectors, one shared ground stud.
//! Values are invented for the demo but of the size met on small 12 V machines. Only the parts are here;
//! [`operating`](super::operating) solves them, [`fault`](super::fault) changes them. Knows no meter, no
//! clock and no random numbers.

use std::time::Duration;

use strum::{EnumMessage, VariantArray};

use crate::words::words;

/// The five coils of the block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum LoaderCoil {
    /// Raises and lowers the arms; proportional.
    #[strum(serialize = "lift coil")]
    Lift,
    /// Tips the bucket; proportional.
    #[strum(serialize = "tilt coil")]
    Tilt,
    /// Feeds an attachment; proportional.
    #[strum(serialize = "auxiliary coil")]
    Auxiliary,
    /// Releases the parking brake; on/off.
    #[strum(serialize = "brake release coil")]
    BrakeRelease,
    /// Lets the arms follow the ground; on/off.
    #[strum(serialize = "float coil")]
    Float,
}

words!(pub LoaderCoil);

impl LoaderCoil {
    /// All of them, in the order of the clamp board's columns.
    pub const ALL: [Self; 5] = [Self::Lift, Self::Tilt, Self::Auxiliary, Self::BrakeRelease, Self::Float];
    /// Those whose current follows the selector.
    pub const PROPORTIONAL: [Self; 3] = [Self::Lift, Self::Tilt, Self::Auxiliary];
    /// Those that are either on or off.
    pub const ON_OFF: [Self; 2] = [Self::BrakeRelease, Self::Float];

    /// Place in [`Self::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// Ohms at 20 °C of a good coil of this kind.
    pub const fn nominal_ohms(self) -> f64 {
        match self {
            Self::Lift | Self::Tilt | Self::Auxiliary => 7.5,
            Self::BrakeRelease | Self::Float => 9.6,
        }
    }
}

/// A coil's winding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Winding {
    /// Conducts, with its ohms at 20 °C.
    Intact {
        /// Ohm at 20 °C.
        ohms_20: f64,
    },
    /// Broken inside.
    Open,
}

/// A connection that should not be there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StrayPath {
    /// None: good.
    Absent,
    /// Through this resistance, ohm.
    Through {
        /// Ohm.
        ohms: f64,
    },
}

/// From the driver to the block ground: one coil's branch.
///
/// In order of the current: driver, wire with the clamp around it, feed pin, winding, ground pin, ground wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoilBranch {
    /// Driver switched through, ohm.
    pub driver_ohms: f64,
    /// Volts that the driver keeps for itself even without load, as a failing one does; 0 when good.
    pub driver_lost_v: f64,
    /// Wire from driver to connector, ohm.
    pub wire_ohms: f64,
    /// Contact of the feed pin, ohm.
    pub feed_pin_ohms: f64,
    /// Contact of the ground pin, ohm.
    pub ground_pin_ohms: f64,
    /// Wire from connector to the block's ground stud, ohm.
    pub ground_wire_ohms: f64,
    /// From the battery's positive post into the wire before the clamp.
    pub from_feed: StrayPath,
    /// From the feed pin (harness side, behind the clamp) to the machine's frame.
    pub to_frame: StrayPath,
    /// The coil whose winding sits behind this position of the connector; another's where terminals are swapped.
    pub reaches: LoaderCoil,
    /// How long the driver stays on after every second release of its lever; zero when good.
    pub release_delay: Duration,
    /// The feed pin while the machine is shaken; closed when good.
    pub pin_when_shaken: ContactState,
}

/// The whole circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct LoaderCircuit {
    /// Battery without load, volt.
    pub battery_v: f64,
    /// Inside the battery, ohm.
    pub battery_ohms: f64,
    /// Harness, fuse and key switch from the battery's positive post to the block feed, ohm.
    pub feed_ohms: f64,
    /// What the machine draws from the block feed with the key on (controller, gauges), as a resistance, ohm.
    pub standing_load_ohms: f64,
    /// From the block's ground stud to the battery's negative post, ohm.
    pub ground_ohms: f64,
    /// Where a driver limits its current to save itself, ampere.
    pub driver_limit_a: f64,
    /// Test load that a driver keeps on its output, ohm.
    pub pull_down_ohms: f64,
    /// By coil, in the order of [`LoaderCoil::ALL`].
    pub branches: [CoilBranch; 5],
    /// By coil, in the order of [`LoaderCoil::ALL`].
    pub windings: [Winding; 5],
    /// Temperature of all windings, °C.
    pub coil_celsius: f64,
    /// The fuse between the block feed and the terminal of the work light.
    pub work_light_fuse: ContactState,
}

impl LoaderCircuit {
    /// A block in good order on a charged battery, engine off, coils at 24 °C.
    pub fn healthy() -> Self {
        let branch = |reaches| CoilBranch {
            driver_ohms: 0.030,
            driver_lost_v: 0.0,
            wire_ohms: 0.040,
            feed_pin_ohms: 0.005,
            ground_pin_ohms: 0.005,
            ground_wire_ohms: 0.010,
            from_feed: StrayPath::Absent,
            to_frame: StrayPath::Absent,
            reaches,
            release_delay: Duration::ZERO,
            pin_when_shaken: ContactState::Closed,
        };
        Self {
            battery_v: 12.7,
            battery_ohms: 0.012,
            feed_ohms: 0.020,
            standing_load_ohms: 6.0,
            ground_ohms: 0.005,
            driver_limit_a: 10.0,
            pull_down_ohms: 10_000.0,
            branches: LoaderCoil::ALL.map(branch),
            windings: LoaderCoil::ALL.map(|coil| Winding::Intact { ohms_20: coil.nominal_ohms() }),
            coil_celsius: 24.0,
            work_light_fuse: ContactState::Closed,
        }
    }

    /// One coil's branch.
    pub fn branch(&self, coil: LoaderCoil) -> &CoilBranch {
        &self.branches[coil.index()]
    }

    /// One coil's branch, to be changed.
    pub fn branch_mut(&mut self, coil: LoaderCoil) -> &mut CoilBranch {
        &mut self.branches[coil.index()]
    }

    /// Ohms of the winding found behind a position of the connector, at the coils' temperature; none where it is open.
    pub fn ohms_behind(&self, position: LoaderCoil) -> Option<f64> {
        match self.windings[self.branch(position).reaches.index()] {
            Winding::Intact { ohms_20 } => Some(warm(ohms_20, self.coil_celsius)),
            Winding::Open => None,
        }
    }
}

/// Copper's resistance at a temperature in °C from that at 20 °C, ohm: R = R20 · (1 + 0.00393 · (t − 20)), IEC 60028.
pub fn warm(ohms_20: f64, celsius: f64) -> f64 {
    ohms_20 * (1.0 + 0.003_93 * (celsius - 20.0))
}

/// The command to a driver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriverCommand {
    /// Nothing.
    Off,
    /// Switched through, for as long as it stands its current.
    On,
    /// Switched through for this share of the time, 0 to 1.
    Duty(f64),
    /// Chopping so that this mean current flows, ampere; switched through where the feed does not suffice.
    Amps(f64),
}

/// A connector or a switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ContactState {
    /// Plugged in or switched on.
    Closed,
    /// Unplugged or switched off.
    Open,
}

/// What the operator did to the machine: key, connectors, selectors.
#[derive(Debug, Clone, PartialEq)]
pub struct MachineSetup {
    /// The key switch between the battery and the block feed.
    pub key: ContactState,
    /// The coils' connectors, in the order of [`LoaderCoil::ALL`].
    pub plugs: [ContactState; 5],
    /// The drivers, in the order of [`LoaderCoil::ALL`].
    pub drives: [DriverCommand; 5],
}

impl MachineSetup {
    /// Key off, all plugged in, nothing driven.
    pub fn parked() -> Self {
        Self { key: ContactState::Open, plugs: [ContactState::Closed; 5], drives: [DriverCommand::Off; 5] }
    }

    /// Key on, all plugged in, the named coils held on.
    pub fn holding(coils: &[LoaderCoil]) -> Self {
        let mut setup = Self { key: ContactState::Closed, ..Self::parked() };
        coils.iter().for_each(|coil| setup.drives[coil.index()] = DriverCommand::On);
        setup
    }

    /// The same with one connector pulled.
    #[must_use]
    pub fn unplugged(mut self, coil: LoaderCoil) -> Self {
        self.plugs[coil.index()] = ContactState::Open;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_warm_coil_has_more_ohms() {
        // Ratio of copper's resistance to that at 20 °C, IEC 60028's coefficient 0.00393: 1.1572 at 60 °C, 1.3930 at 120 °C.
        for (celsius, ratio) in [(-40.0, 0.7642), (20.0, 1.0), (60.0, 1.1572), (120.0, 1.393)] {
            assert!((warm(7.5, celsius) - 7.5 * ratio).abs() < 1e-9, "{celsius}");
        }
    }

    #[test]
    fn the_order_is_the_same_everywhere() {
        assert!(LoaderCoil::ALL.iter().enumerate().all(|(at, coil)| coil.index() == at));
        assert!(LoaderCoil::PROPORTIONAL.iter().chain(&LoaderCoil::ON_OFF).eq(&LoaderCoil::ALL));
        let circuit = LoaderCircuit::healthy();
        assert!(LoaderCoil::ALL.iter().all(|&coil| circuit.branch(coil).reaches == coil));
    }

    #[test]
    fn a_swapped_terminal_shows_the_other_winding() {
        let mut circuit = LoaderCircuit::healthy();
        circuit.coil_celsius = 20.0;
        circuit.branch_mut(LoaderCoil::Lift).reaches = LoaderCoil::Float;
        assert_eq!(circuit.ohms_behind(LoaderCoil::Lift), Some(9.6));
        circuit.windings[LoaderCoil::Float.index()] = Winding::Open;
        assert_eq!(circuit.ohms_behind(LoaderCoil::Lift), None);
    }
}
