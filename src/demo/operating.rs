//! The DC operating point: volts at each place, current in each wire, ohms between two leads.
//!
//! A [`LoaderCircuit`] in a [`MachineSetup`] becomes a network of conductors and is solved as a whole, since the shared feed and
//! the shared ground tie all coils together. Means over a switching period; the rise of a coil's current is
//! not modelled. Pure: same circuit, same answer.

use super::circuit::{ContactState, DriverCommand, LoaderCircuit, LoaderCoil, MachineSetup, StrayPath};
use super::network::{Network, NetworkNode};

/// A place where a lead can be put.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProbePoint {
    /// The battery's positive post.
    BatteryPositive,
    /// The battery's negative post: the reference of all volts.
    BatteryNegative,
    /// The feed pin of the block's connector.
    BlockFeed,
    /// The ground stud of the block.
    BlockGround,
    /// The feed terminal of the work light, unplugged.
    WorkLightFeed,
    /// The feed pin in a coil's harness plug.
    HarnessFeed(LoaderCoil),
    /// The ground pin in a coil's harness plug.
    HarnessGround(LoaderCoil),
    /// The feed terminal of the coil at this position.
    CoilFeed(LoaderCoil),
    /// The ground terminal of the coil at this position.
    CoilGround(LoaderCoil),
}

/// Nodes that belong to no single coil: battery positive, block feed, block ground, work light.
const SHARED: usize = 4;
/// Nodes of one branch: driver output, then the four of a coil's plug.
const OF_BRANCH: usize = 5;
const SIZE: usize = SHARED + OF_BRANCH * LoaderCoil::ALL.len();

/// Fuse and wire from the block feed to the work light, ohm.
const WORK_LIGHT_OHMS: f64 = 0.05;

const BATTERY: NetworkNode = NetworkNode::At(0);
const FEED: NetworkNode = NetworkNode::At(1);
const GROUND: NetworkNode = NetworkNode::At(2);
const WORK_LIGHT: NetworkNode = NetworkNode::At(3);

fn driver_out(coil: LoaderCoil) -> NetworkNode {
    NetworkNode::At(SHARED + OF_BRANCH * coil.index())
}

fn node(spot: ProbePoint) -> NetworkNode {
    let of = |coil: LoaderCoil, place| NetworkNode::At(SHARED + OF_BRANCH * coil.index() + place);
    match spot {
        ProbePoint::BatteryPositive => BATTERY,
        ProbePoint::BatteryNegative => NetworkNode::Reference,
        ProbePoint::BlockFeed => FEED,
        ProbePoint::BlockGround => GROUND,
        ProbePoint::WorkLightFeed => WORK_LIGHT,
        ProbePoint::HarnessFeed(coil) => of(coil, 1),
        ProbePoint::CoilFeed(coil) => of(coil, 2),
        ProbePoint::CoilGround(coil) => of(coil, 3),
        ProbePoint::HarnessGround(coil) => of(coil, 4),
    }
}

/// A solved circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct OperatingPoint {
    volts: Vec<f64>,
    clamp_a: [f64; 5],
    drawn_a: f64,
}

impl OperatingPoint {
    /// Volts of a place above the battery's negative post.
    pub fn volts(&self, spot: ProbePoint) -> f64 {
        at(&self.volts, node(spot))
    }

    /// Volts that a meter shows with its red lead here and its black lead there.
    pub fn between(&self, red: ProbePoint, black: ProbePoint) -> f64 {
        self.volts(red) - self.volts(black)
    }

    /// Current through the clamp around a coil's feed wire, ampere, towards the coil.
    pub fn clamp_a(&self, coil: LoaderCoil) -> f64 {
        self.clamp_a[coil.index()]
    }

    /// Current out of the battery, ampere.
    pub fn drawn_a(&self) -> f64 {
        self.drawn_a
    }

    /// Volts of the block's ground stud above the battery's negative post: the drop on the shared ground.
    pub fn ground_drop_v(&self) -> f64 {
        self.volts(ProbePoint::BlockGround)
    }
}

/// What an ohmmeter meets between its leads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProbedPath {
    /// Resistance seen with all sources at rest, ohm; about 1 Gohm of leakage where nothing connects.
    pub ohms: f64,
    /// Volts that are present already and falsify the reading.
    pub standing_v: f64,
}

/// What a driver does in the end: as commanded, or limited by its current.
#[derive(Debug, Clone, Copy, PartialEq)]
enum DriverOutput {
    Open,
    /// For this share of the time.
    Chopping(f64),
    /// Giving just this current, ampere.
    Holding(f64),
}

impl LoaderCircuit {
    /// Solves the operating point.
    ///
    /// Exact (to rounding) for drivers that are off, on or at a duty. A driver that regulates its current
    /// takes a power from the feed that depends on the feed's volts: repeated until these stand still.
    pub fn solve(&self, setup: &MachineSetup) -> OperatingPoint {
        let mut outputs = setup.drives.map(|drive| match drive {
            DriverCommand::Off => DriverOutput::Open,
            DriverCommand::Duty(duty) => DriverOutput::Chopping(duty.clamp(0.0, 1.0)),
            DriverCommand::On | DriverCommand::Amps(_) => DriverOutput::Chopping(1.0),
        });
        // Holding one driver back leaves more volts for the others, so drivers only ever join those that
        // are held back, and as many rounds as there are drivers are enough.
        loop {
            let operating = self.settle(setup, &outputs);
            let correction = LoaderCoil::ALL.iter().find_map(|&coil| {
                let DriverOutput::Chopping(duty) = outputs[coil.index()] else { return None };
                let amps = self.driver_a(coil, &outputs, &operating.volts);
                let bound_a = self.bound_a(setup.drives[coil.index()]);
                if amps > bound_a {
                    Some((coil, DriverOutput::Holding(bound_a)))
                } else if amps < 0.0 && duty < 1.0 {
                    // A free-wheel diode passes nothing backwards; a switch held on does.
                    Some((coil, DriverOutput::Open))
                } else {
                    None
                }
            });
            match correction {
                Some((coil, output)) => outputs[coil.index()] = output,
                None => return operating,
            }
        }
    }

    /// The resistance between two places in a setup of the machine.
    pub fn path(&self, setup: &MachineSetup, red: ProbePoint, black: ProbePoint) -> ProbedPath {
        let at_rest = Self { battery_v: 0.0, ..self.clone() };
        let mut network = at_rest.passive(setup);
        network.inject(node(red), 1.0);
        network.inject(node(black), -1.0);
        let volts = network.solve();
        // One ampere flows, so volts are ohms.
        ProbedPath {
            ohms: at(&volts, node(red)) - at(&volts, node(black)),
            standing_v: self.solve(setup).between(red, black),
        }
    }

    /// The current at which a driver stops being a plain switch, ampere.
    fn bound_a(&self, drive: DriverCommand) -> f64 {
        match drive {
            DriverCommand::Amps(amps) => amps.clamp(0.0, self.driver_limit_a),
            DriverCommand::Off | DriverCommand::On | DriverCommand::Duty(_) => self.driver_limit_a,
        }
    }

    /// Solves with drivers as they are, repeating for what regulated ones take from the feed.
    fn settle(&self, setup: &MachineSetup, outputs: &[DriverOutput; 5]) -> OperatingPoint {
        /// Far more than is needed: the error shrinks to a third or less each time while the feed holds up.
        const MOST_ROUNDS: usize = 200;
        let mut taken_a = 0.0;
        let mut volts = self.driven(setup, outputs, taken_a);
        for _ in 0..MOST_ROUNDS {
            let before_a = taken_a;
            taken_a = LoaderCoil::ALL.iter().map(|&coil| self.taken_a(coil, outputs, &volts)).sum();
            volts = self.driven(setup, outputs, taken_a);
            if (taken_a - before_a).abs() <= 1e-12 {
                break;
            }
        }
        let drawn_a = (self.battery_v - volts[0]) / self.battery_ohms;
        let clamp_a = LoaderCoil::ALL.map(|coil| {
            let across = at(&volts, driver_out(coil)) - at(&volts, node(ProbePoint::HarnessFeed(coil)));
            across / self.branch(coil).wire_ohms
        });
        OperatingPoint { volts, clamp_a, drawn_a }
    }

    /// Feed current of a driver that holds its output current, ampere; nothing for the others, which the
    /// network holds already.
    fn taken_a(&self, coil: LoaderCoil, outputs: &[DriverOutput; 5], volts: &[f64]) -> f64 {
        let DriverOutput::Holding(amps) = outputs[coil.index()] else { return 0.0 };
        let branch = self.branch(coil);
        let needed_v = at(volts, driver_out(coil)) + amps * branch.driver_ohms;
        let feed_v = (at(volts, FEED) - branch.driver_lost_v).max(f64::MIN_POSITIVE);
        amps * (needed_v / feed_v).clamp(0.0, 1.0)
    }

    /// DriverOutput current of a driver, ampere.
    fn driver_a(&self, coil: LoaderCoil, outputs: &[DriverOutput; 5], volts: &[f64]) -> f64 {
        let branch = self.branch(coil);
        match outputs[coil.index()] {
            DriverOutput::Open => 0.0,
            DriverOutput::Holding(amps) => amps,
            DriverOutput::Chopping(duty) => {
                let given_v = duty * (at(volts, FEED) - branch.driver_lost_v);
                (given_v - at(volts, driver_out(coil))) / branch.driver_ohms
            }
        }
    }

    /// Volts with the drivers at work and so much taken from the feed by those that hold a current.
    fn driven(&self, setup: &MachineSetup, outputs: &[DriverOutput; 5], taken_a: f64) -> Vec<f64> {
        let mut network = self.passive(setup);
        network.inject(FEED, -taken_a);
        for coil in LoaderCoil::ALL {
            let (branch, out) = (self.branch(coil), driver_out(coil));
            match outputs[coil.index()] {
                DriverOutput::Open => {}
                DriverOutput::Holding(amps) => network.inject(out, amps),
                DriverOutput::Chopping(duty) => {
                    network.chopper(FEED, out, duty, branch.driver_lost_v, branch.driver_ohms);
                }
            }
        }
        network.solve()
    }

    /// All that conducts by itself: everything but the drivers.
    fn passive(&self, setup: &MachineSetup) -> Network {
        let mut network = Network::new(SIZE);
        network.source(BATTERY, self.battery_v, self.battery_ohms);
        network.conductor(GROUND, NetworkNode::Reference, self.ground_ohms);
        network.conductor(FEED, NetworkNode::Reference, self.standing_load_ohms);
        if setup.key == ContactState::Closed {
            network.conductor(BATTERY, FEED, self.feed_ohms);
        }
        if self.work_light_fuse == ContactState::Closed {
            network.conductor(FEED, WORK_LIGHT, WORK_LIGHT_OHMS);
        }
        LoaderCoil::ALL.into_iter().for_each(|coil| self.connect(&mut network, setup, coil));
        network
    }

    fn connect(&self, network: &mut Network, setup: &MachineSetup, coil: LoaderCoil) {
        let (branch, out) = (self.branch(coil), driver_out(coil));
        let [harness_feed, coil_feed, coil_ground, harness_ground] = [
            ProbePoint::HarnessFeed(coil),
            ProbePoint::CoilFeed(coil),
            ProbePoint::CoilGround(coil),
            ProbePoint::HarnessGround(coil),
        ]
        .map(node);
        network.conductor(out, NetworkNode::Reference, self.pull_down_ohms);
        network.conductor(out, harness_feed, branch.wire_ohms);
        network.conductor(harness_ground, GROUND, branch.ground_wire_ohms);
        if let StrayPath::Through { ohms } = branch.from_feed {
            network.conductor(BATTERY, out, ohms);
        }
        if let StrayPath::Through { ohms } = branch.to_frame {
            network.conductor(harness_feed, NetworkNode::Reference, ohms);
        }
        if setup.plugs[coil.index()] == ContactState::Closed {
            network.conductor(harness_feed, coil_feed, branch.feed_pin_ohms);
            network.conductor(coil_ground, harness_ground, branch.ground_pin_ohms);
        }
        if let Some(ohms) = self.ohms_behind(coil) {
            network.conductor(coil_feed, coil_ground, ohms);
        }
    }
}

fn at(volts: &[f64], node: NetworkNode) -> f64 {
    match node {
        NetworkNode::Reference => 0.0,
        NetworkNode::At(index) => volts[index],
    }
}

#[cfg(test)]
mod tests;
