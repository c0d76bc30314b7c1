//! The DC operating point: volts at each place, current in each wire, ohms between two leads.
//!
//! A [`Circuit`] in a [`Setup`] becomes a [`Network`] and is solved as a whole, since the shared feed and
//! the shared ground tie all coils together. Means over a chopping period; the rise of a coil's current is
//! not modelled. Pure: same circuit, same answer.

use super::circuit::{Circuit, Coil, Drive, Joint, Setup, Stray};
use super::network::{Network, Node};

/// A place where a lead can be put.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spot {
    /// The battery's positive post.
    BatteryPositive,
    /// The battery's negative post: the reference of all volts.
    BatteryNegative,
    /// The feed pin of the block's connector.
    BlockFeed,
    /// The ground stud of the block.
    BlockGround,
    /// The feed pin in a coil's harness plug.
    HarnessFeed(Coil),
    /// The ground pin in a coil's harness plug.
    HarnessGround(Coil),
    /// The feed terminal of the coil at this position.
    CoilFeed(Coil),
    /// The ground terminal of the coil at this position.
    CoilGround(Coil),
}

/// Nodes that belong to no single coil: battery positive, block feed, block ground.
const SHARED: usize = 3;
/// Nodes of one branch: driver output, then the four of a coil's plug.
const OF_BRANCH: usize = 5;
const SIZE: usize = SHARED + OF_BRANCH * Coil::ALL.len();

const BATTERY: Node = Node::At(0);
const FEED: Node = Node::At(1);
const GROUND: Node = Node::At(2);

fn driver_out(coil: Coil) -> Node {
    Node::At(SHARED + OF_BRANCH * coil.index())
}

fn node(spot: Spot) -> Node {
    let of = |coil: Coil, place| Node::At(SHARED + OF_BRANCH * coil.index() + place);
    match spot {
        Spot::BatteryPositive => BATTERY,
        Spot::BatteryNegative => Node::Reference,
        Spot::BlockFeed => FEED,
        Spot::BlockGround => GROUND,
        Spot::HarnessFeed(coil) => of(coil, 1),
        Spot::CoilFeed(coil) => of(coil, 2),
        Spot::CoilGround(coil) => of(coil, 3),
        Spot::HarnessGround(coil) => of(coil, 4),
    }
}

/// A solved circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Operating {
    volts: Vec<f64>,
    clamp_a: [f64; 5],
    drawn_a: f64,
}

impl Operating {
    /// Volts of a place above the battery's negative post.
    pub fn volts(&self, spot: Spot) -> f64 {
        at(&self.volts, node(spot))
    }

    /// Volts that a meter shows with its red lead here and its black lead there.
    pub fn between(&self, red: Spot, black: Spot) -> f64 {
        self.volts(red) - self.volts(black)
    }

    /// Current through the clamp around a coil's feed wire, ampere, towards the coil.
    pub fn clamp_a(&self, coil: Coil) -> f64 {
        self.clamp_a[coil.index()]
    }

    /// Current out of the battery, ampere.
    pub fn drawn_a(&self) -> f64 {
        self.drawn_a
    }

    /// Volts of the block's ground stud above the battery's negative post: the drop on the shared ground.
    pub fn ground_drop_v(&self) -> f64 {
        self.volts(Spot::BlockGround)
    }
}

/// What an ohmmeter meets between its leads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Path {
    /// Resistance seen with all sources at rest, ohm; about 1 Gohm of leakage where nothing connects.
    pub ohms: f64,
    /// Volts that stand there already, and spoil the reading.
    pub standing_v: f64,
}

/// How a driver ends up: told, or held back by its current.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Output {
    Open,
    /// For this share of the time.
    Chopping(f64),
    /// Giving just this current, ampere.
    Holding(f64),
}

impl Circuit {
    /// Solves the operating point.
    ///
    /// Exact (to rounding) for drivers that are off, on or at a duty. A driver that regulates its current
    /// takes a power from the feed that depends on the feed's volts: repeated until these stand still.
    pub fn solve(&self, setup: &Setup) -> Operating {
        let mut outputs = setup.drives.map(|drive| match drive {
            Drive::Off => Output::Open,
            Drive::Duty(duty) => Output::Chopping(duty.clamp(0.0, 1.0)),
            Drive::On | Drive::Amps(_) => Output::Chopping(1.0),
        });
        // Holding one driver back leaves more volts for the others, so drivers only ever join those that
        // are held back, and as many rounds as there are drivers are enough.
        loop {
            let operating = self.settle(setup, &outputs);
            let correction = Coil::ALL.iter().find_map(|&coil| {
                let Output::Chopping(duty) = outputs[coil.index()] else { return None };
                let amps = self.driver_a(coil, &outputs, &operating.volts);
                let bound_a = self.bound_a(setup.drives[coil.index()]);
                if amps > bound_a {
                    Some((coil, Output::Holding(bound_a)))
                } else if amps < 0.0 && duty < 1.0 {
                    // A free-wheel diode passes nothing backwards; a switch held on does.
                    Some((coil, Output::Open))
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

    /// What an ohmmeter meets between two places, the machine being as the setup says.
    pub fn path(&self, setup: &Setup, red: Spot, black: Spot) -> Path {
        let at_rest = Self { battery_v: 0.0, ..self.clone() };
        let mut network = at_rest.passive(setup);
        network.inject(node(red), 1.0);
        network.inject(node(black), -1.0);
        let volts = network.solve();
        // One ampere flows, so volts are ohms.
        Path {
            ohms: at(&volts, node(red)) - at(&volts, node(black)),
            standing_v: self.solve(setup).between(red, black),
        }
    }

    /// The current at which a driver stops being a plain switch, ampere.
    fn bound_a(&self, drive: Drive) -> f64 {
        match drive {
            Drive::Amps(amps) => amps.clamp(0.0, self.driver_limit_a),
            Drive::Off | Drive::On | Drive::Duty(_) => self.driver_limit_a,
        }
    }

    /// Solves with drivers as they are, repeating for what regulated ones take from the feed.
    fn settle(&self, setup: &Setup, outputs: &[Output; 5]) -> Operating {
        /// Far more than is needed: the error shrinks to a third or less each time while the feed holds up.
        const MOST_ROUNDS: usize = 200;
        let mut taken_a = 0.0;
        let mut volts = self.driven(setup, outputs, taken_a);
        for _ in 0..MOST_ROUNDS {
            let before_a = taken_a;
            taken_a = Coil::ALL.iter().map(|&coil| self.taken_a(coil, outputs, &volts)).sum();
            volts = self.driven(setup, outputs, taken_a);
            if (taken_a - before_a).abs() <= 1e-12 {
                break;
            }
        }
        let drawn_a = (self.battery_v - volts[0]) / self.battery_ohms;
        let clamp_a = Coil::ALL.map(|coil| {
            let across = at(&volts, driver_out(coil)) - at(&volts, node(Spot::HarnessFeed(coil)));
            across / self.branch(coil).wire_ohms
        });
        Operating { volts, clamp_a, drawn_a }
    }

    /// Feed current of a driver that holds its output current, ampere; nothing for the others, which the
    /// network holds already.
    fn taken_a(&self, coil: Coil, outputs: &[Output; 5], volts: &[f64]) -> f64 {
        let Output::Holding(amps) = outputs[coil.index()] else { return 0.0 };
        let branch = self.branch(coil);
        let needed_v = at(volts, driver_out(coil)) + amps * branch.driver_ohms;
        let feed_v = (at(volts, FEED) - branch.driver_lost_v).max(f64::MIN_POSITIVE);
        amps * (needed_v / feed_v).clamp(0.0, 1.0)
    }

    /// Output current of a driver, ampere.
    fn driver_a(&self, coil: Coil, outputs: &[Output; 5], volts: &[f64]) -> f64 {
        let branch = self.branch(coil);
        match outputs[coil.index()] {
            Output::Open => 0.0,
            Output::Holding(amps) => amps,
            Output::Chopping(duty) => {
                let given_v = duty * (at(volts, FEED) - branch.driver_lost_v);
                (given_v - at(volts, driver_out(coil))) / branch.driver_ohms
            }
        }
    }

    /// Volts with the drivers at work and so much taken from the feed by those that hold a current.
    fn driven(&self, setup: &Setup, outputs: &[Output; 5], taken_a: f64) -> Vec<f64> {
        let mut network = self.passive(setup);
        network.inject(FEED, -taken_a);
        for coil in Coil::ALL {
            let (branch, out) = (self.branch(coil), driver_out(coil));
            match outputs[coil.index()] {
                Output::Open => {}
                Output::Holding(amps) => network.inject(out, amps),
                Output::Chopping(duty) => {
                    network.chopper(FEED, out, duty, branch.driver_lost_v, branch.driver_ohms);
                }
            }
        }
        network.solve()
    }

    /// All that conducts by itself: everything but the drivers.
    fn passive(&self, setup: &Setup) -> Network {
        let mut network = Network::new(SIZE);
        network.source(BATTERY, self.battery_v, self.battery_ohms);
        network.conductor(GROUND, Node::Reference, self.ground_ohms);
        network.conductor(FEED, Node::Reference, self.standing_load_ohms);
        if setup.key == Joint::Made {
            network.conductor(BATTERY, FEED, self.feed_ohms);
        }
        Coil::ALL.into_iter().for_each(|coil| self.connect(&mut network, setup, coil));
        network
    }

    fn connect(&self, network: &mut Network, setup: &Setup, coil: Coil) {
        let (branch, out) = (self.branch(coil), driver_out(coil));
        let [harness_feed, coil_feed, coil_ground, harness_ground] =
            [Spot::HarnessFeed(coil), Spot::CoilFeed(coil), Spot::CoilGround(coil), Spot::HarnessGround(coil)]
                .map(node);
        network.conductor(out, Node::Reference, self.pull_down_ohms);
        network.conductor(out, harness_feed, branch.wire_ohms);
        network.conductor(harness_ground, GROUND, branch.ground_wire_ohms);
        if let Stray::Through { ohms } = branch.from_feed {
            network.conductor(BATTERY, out, ohms);
        }
        if let Stray::Through { ohms } = branch.to_frame {
            network.conductor(harness_feed, Node::Reference, ohms);
        }
        if setup.plugs[coil.index()] == Joint::Made {
            network.conductor(harness_feed, coil_feed, branch.feed_pin_ohms);
            network.conductor(coil_ground, harness_ground, branch.ground_pin_ohms);
        }
        if let Some(ohms) = self.ohms_behind(coil) {
            network.conductor(coil_feed, coil_ground, ohms);
        }
    }
}

fn at(volts: &[f64], node: Node) -> f64 {
    match node {
        Node::Reference => 0.0,
        Node::At(index) => volts[index],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::circuit::Winding;
    use proptest::prelude::*;

    /// A circuit without losses but the given, one lift coil of the given ohms at 20 °C.
    fn bare(battery_v: f64, coil_ohms: f64) -> Circuit {
        let mut circuit = Circuit::sound();
        circuit.coil_celsius = 20.0;
        circuit.battery_v = battery_v;
        (circuit.battery_ohms, circuit.feed_ohms, circuit.ground_ohms) = (1e-6, 1e-6, 1e-6);
        circuit.standing_load_ohms = 1e9;
        circuit.pull_down_ohms = 1e9;
        circuit.windings[Coil::Lift.index()] = Winding::Intact { ohms_20: coil_ohms };
        let branch = circuit.branch_mut(Coil::Lift);
        (branch.driver_ohms, branch.wire_ohms, branch.ground_wire_ohms) = (1e-6, 1e-6, 1e-6);
        (branch.feed_pin_ohms, branch.ground_pin_ohms) = (1e-6, 1e-6);
        circuit
    }

    #[test]
    fn a_coil_draws_what_ohm_says() {
        // Common practice, no source: 6.2 ohm at 12.87 V is expected near 2.08 A, 12.5 ohm near 1.03 A,
        // 29 ohm near 0.444 A.
        for (ohms, amps, rounding) in [(6.2, 2.08, 0.005), (12.5, 1.03, 0.0005), (29.0, 0.444, 0.0005)] {
            let operating = bare(12.87, ohms).solve(&Setup::holding(&[Coil::Lift]));
            assert!((operating.clamp_a(Coil::Lift) - amps).abs() <= rounding, "{ohms}: {operating:?}");
        }
    }

    #[test]
    fn a_bad_joint_takes_its_share_of_the_volts() {
        // Textbook series sum: 12 V on 5 ohm and 1 ohm is 2 A, 10 V on the coil and 2 V (4 W) on the joint.
        let mut circuit = bare(12.0, 5.0);
        circuit.ground_ohms = 1.0;
        let operating = circuit.solve(&Setup::holding(&[Coil::Lift]));
        assert!((operating.clamp_a(Coil::Lift) - 2.0).abs() < 1e-4);
        assert!((operating.ground_drop_v() - 2.0).abs() < 1e-4);
        assert!((operating.between(Spot::CoilFeed(Coil::Lift), Spot::CoilGround(Coil::Lift)) - 10.0).abs() < 1e-4);
    }

    #[test]
    fn coils_share_the_ground_and_slow_each_other() {
        let mut circuit = Circuit::sound();
        circuit.ground_ohms = 0.5;
        let alone = circuit.solve(&Setup::holding(&[Coil::Lift]));
        let together = circuit.solve(&Setup::holding(&Coil::ALL));
        assert!(together.clamp_a(Coil::Lift) < 0.85 * alone.clamp_a(Coil::Lift));
        let sum: f64 = Coil::ALL.iter().map(|&coil| together.clamp_a(coil)).sum();
        assert!((together.ground_drop_v() - 0.5 * sum).abs() < 1e-6, "Ohm's law on the stud");
    }

    #[test]
    fn a_regulated_coil_gets_its_amps_while_the_feed_suffices() {
        let circuit = Circuit::sound();
        let mut setup = Setup::holding(&Coil::ALL);
        setup.drives[Coil::Tilt.index()] = Drive::Amps(0.6);
        let operating = circuit.solve(&setup);
        assert!((operating.clamp_a(Coil::Tilt) - 0.6).abs() < 2e-3, "the pull-down takes about a milliampere");
        setup.drives[Coil::Tilt.index()] = Drive::Amps(9.0);
        let mut full = setup.clone();
        full.drives[Coil::Tilt.index()] = Drive::On;
        assert_eq!(circuit.solve(&setup), circuit.solve(&full), "more than the feed can give is switched through");
    }

    #[test]
    fn a_regulated_coil_takes_power_and_no_more_from_the_feed() {
        let mut circuit = bare(12.0, 6.0);
        let branch = circuit.branch_mut(Coil::Lift);
        branch.driver_ohms = 1e-6;
        let mut setup = Setup::holding(&[]);
        setup.drives[Coil::Lift.index()] = Drive::Amps(1.0);
        // 1 A in 6 ohm is 6 W; from 12 V that is 0.5 A (Joule's law).
        assert!((circuit.solve(&setup).drawn_a() - 0.5).abs() < 1e-4);
    }

    #[test]
    fn half_the_time_is_half_the_volts() {
        let mut setup = Setup::holding(&[]);
        setup.drives[Coil::Lift.index()] = Drive::Duty(0.5);
        // 24 V, 20 ohm, duty 0.5, no diode drop: 0.600 A in the mean (also from a time-stepped solution).
        assert!((bare(24.0, 20.0).solve(&setup).clamp_a(Coil::Lift) - 0.6).abs() < 1e-4);
    }

    #[test]
    fn a_driver_saves_itself_from_a_dead_short() {
        let mut circuit = Circuit::sound();
        circuit.branch_mut(Coil::Lift).to_frame = Stray::Through { ohms: 0.1 };
        let operating = circuit.solve(&Setup::holding(&Coil::ALL));
        assert!((operating.clamp_a(Coil::Lift) - circuit.driver_limit_a).abs() < 0.01);
        assert!(operating.clamp_a(Coil::Tilt) > 1.4, "the others still work");
    }

    #[test]
    fn ohms_are_those_of_the_winding_when_unplugged() {
        let (circuit, lift) = (Circuit::sound(), Coil::Lift);
        let setup = Setup::parked().unplugged(lift);
        let path = circuit.path(&setup, Spot::CoilFeed(lift), Spot::CoilGround(lift));
        assert!((path.ohms - 7.5 * (1.0 + 0.003_93 * 4.0)).abs() < 1e-6 && path.standing_v.abs() < 1e-9, "{path:?}");
        let apart = circuit.path(&setup, Spot::CoilFeed(lift), Spot::HarnessFeed(lift));
        assert!(apart.ohms > 1e8, "{apart:?}");
        // Plugged in and key off, the driver's pull-down and the machine's frame stand beside the winding.
        let plugged = circuit.path(&Setup::parked(), Spot::CoilFeed(lift), Spot::CoilGround(lift));
        assert!((plugged.ohms - 7.618 * 10_000.0 / 10_007.6).abs() < 1e-3, "{plugged:?}");
    }

    #[test]
    fn ohms_on_a_live_circuit_meet_standing_volts() {
        let live = Setup::holding(&[Coil::Lift]);
        let path = Circuit::sound().path(&live, Spot::CoilFeed(Coil::Lift), Spot::CoilGround(Coil::Lift));
        assert!(path.standing_v > 12.0, "{path:?}");
    }

    fn any_drive() -> impl Strategy<Value = Drive> {
        prop_oneof![
            Just(Drive::Off),
            Just(Drive::On),
            (0.0..1.0).prop_map(Drive::Duty),
            (0.0..3.0).prop_map(Drive::Amps)
        ]
    }

    proptest! {
        #[test]
        fn currents_add_up_whatever_is_driven(
            drives in proptest::array::uniform5(any_drive()), ground in 0.001f64..2.0, feed in 0.001f64..0.5
        ) {
            let mut circuit = Circuit::sound();
            (circuit.ground_ohms, circuit.feed_ohms) = (ground, feed);
            let setup = Setup { drives, ..Setup::holding(&[]) };
            let operating = circuit.solve(&setup);
            let through_stud = operating.ground_drop_v() / ground;
            let sum: f64 = Coil::ALL.iter().map(|&coil| operating.clamp_a(coil)).sum();
            prop_assert!((through_stud - sum).abs() < 1e-6, "Kirchhoff at the stud: {} {}", through_stud, sum);
            let arriving = operating.between(Spot::BatteryPositive, Spot::BlockFeed) / feed;
            prop_assert!((arriving - operating.drawn_a()).abs() < 1e-6, "Kirchhoff at the battery");
            // Choppers without loss: power from the battery is at least what the coils turn to heat.
            let heat: f64 = Coil::ALL.iter().map(|&coil| {
                operating.between(Spot::CoilFeed(coil), Spot::CoilGround(coil)) * operating.clamp_a(coil)
            }).sum();
            prop_assert!(operating.volts(Spot::BlockFeed) * operating.drawn_a() >= heat - 1e-6);
            for (coil, drive) in Coil::ALL.into_iter().zip(drives) {
                if let Drive::Amps(bound) = drive {
                    prop_assert!(operating.clamp_a(coil) <= bound + 1e-9);
                }
            }
        }
    }
}
