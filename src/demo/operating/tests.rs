//! The operating point against textbook sums, common practice and Kirchhoff's laws.

use super::*;
use crate::demo::circuit::Winding;
use proptest::prelude::*;

/// A circuit without losses but the given, one lift coil of the given ohms at 20 °C.
fn bare(battery_v: f64, coil_ohms: f64) -> LoaderCircuit {
    let mut circuit = LoaderCircuit::healthy();
    circuit.coil_celsius = 20.0;
    circuit.battery_v = battery_v;
    (circuit.battery_ohms, circuit.feed_ohms, circuit.ground_ohms) = (1e-6, 1e-6, 1e-6);
    circuit.standing_load_ohms = 1e9;
    circuit.pull_down_ohms = 1e9;
    circuit.windings[LoaderCoil::Lift.index()] = Winding::Intact { ohms_20: coil_ohms };
    let branch = circuit.branch_mut(LoaderCoil::Lift);
    (branch.driver_ohms, branch.wire_ohms, branch.ground_wire_ohms) = (1e-6, 1e-6, 1e-6);
    (branch.feed_pin_ohms, branch.ground_pin_ohms) = (1e-6, 1e-6);
    circuit
}

#[test]
fn a_coil_draws_what_ohm_says() {
    // Common practice, no source: 6.2 ohm at 12.87 V is expected near 2.08 A, 12.5 ohm near 1.03 A,
    // 29 ohm near 0.444 A.
    for (ohms, amps, rounding) in [(6.2, 2.08, 0.005), (12.5, 1.03, 0.0005), (29.0, 0.444, 0.0005)] {
        let operating = bare(12.87, ohms).solve(&MachineSetup::holding(&[LoaderCoil::Lift]));
        assert!((operating.clamp_a(LoaderCoil::Lift) - amps).abs() <= rounding, "{ohms}: {operating:?}");
    }
}

#[test]
fn a_bad_joint_takes_its_share_of_the_volts() {
    // Textbook series sum: 12 V on 5 ohm and 1 ohm is 2 A, 10 V on the coil and 2 V (4 W) on the joint.
    let mut circuit = bare(12.0, 5.0);
    circuit.ground_ohms = 1.0;
    let operating = circuit.solve(&MachineSetup::holding(&[LoaderCoil::Lift]));
    assert!((operating.clamp_a(LoaderCoil::Lift) - 2.0).abs() < 1e-4);
    assert!((operating.ground_drop_v() - 2.0).abs() < 1e-4);
    assert!(
        (operating.between(ProbePoint::CoilFeed(LoaderCoil::Lift), ProbePoint::CoilGround(LoaderCoil::Lift)) - 10.0)
            .abs()
            < 1e-4
    );
}

#[test]
fn coils_share_the_ground_and_slow_each_other() {
    let mut circuit = LoaderCircuit::healthy();
    circuit.ground_ohms = 0.5;
    let alone = circuit.solve(&MachineSetup::holding(&[LoaderCoil::Lift]));
    let together = circuit.solve(&MachineSetup::holding(&LoaderCoil::ALL));
    assert!(together.clamp_a(LoaderCoil::Lift) < 0.85 * alone.clamp_a(LoaderCoil::Lift));
    let sum: f64 = LoaderCoil::ALL.iter().map(|&coil| together.clamp_a(coil)).sum();
    assert!((together.ground_drop_v() - 0.5 * sum).abs() < 1e-6, "Ohm's law on the stud");
}

#[test]
fn a_regulated_coil_gets_its_amps_while_the_feed_suffices() {
    let circuit = LoaderCircuit::healthy();
    let mut setup = MachineSetup::holding(&LoaderCoil::ALL);
    setup.drives[LoaderCoil::Tilt.index()] = DriverCommand::Amps(0.6);
    let operating = circuit.solve(&setup);
    assert!((operating.clamp_a(LoaderCoil::Tilt) - 0.6).abs() < 2e-3, "the pull-down takes about a milliampere");
    setup.drives[LoaderCoil::Tilt.index()] = DriverCommand::Amps(9.0);
    let mut full = setup.clone();
    full.drives[LoaderCoil::Tilt.index()] = DriverCommand::On;
    assert_eq!(circuit.solve(&setup), circuit.solve(&full), "more than the feed can give is switched through");
}

#[test]
fn a_regulated_coil_takes_power_and_no_more_from_the_feed() {
    let mut circuit = bare(12.0, 6.0);
    let branch = circuit.branch_mut(LoaderCoil::Lift);
    branch.driver_ohms = 1e-6;
    let mut setup = MachineSetup::holding(&[]);
    setup.drives[LoaderCoil::Lift.index()] = DriverCommand::Amps(1.0);
    // 1 A in 6 ohm is 6 W; from 12 V that is 0.5 A (Joule's law).
    assert!((circuit.solve(&setup).drawn_a() - 0.5).abs() < 1e-4);
}

#[test]
fn half_the_time_is_half_the_volts() {
    let mut setup = MachineSetup::holding(&[]);
    setup.drives[LoaderCoil::Lift.index()] = DriverCommand::Duty(0.5);
    // 24 V, 20 ohm, duty 0.5, no diode drop: 0.600 A in the mean (also from a time-stepped solution).
    assert!((bare(24.0, 20.0).solve(&setup).clamp_a(LoaderCoil::Lift) - 0.6).abs() < 1e-4);
}

#[test]
fn a_driver_saves_itself_from_a_dead_short() {
    let mut circuit = LoaderCircuit::healthy();
    circuit.branch_mut(LoaderCoil::Lift).to_frame = StrayPath::Through { ohms: 0.1 };
    let operating = circuit.solve(&MachineSetup::holding(&LoaderCoil::ALL));
    assert!((operating.clamp_a(LoaderCoil::Lift) - circuit.driver_limit_a).abs() < 0.01);
    assert!(operating.clamp_a(LoaderCoil::Tilt) > 1.4, "the others still work");
}

#[test]
fn ohms_are_those_of_the_winding_when_unplugged() {
    let (circuit, lift) = (LoaderCircuit::healthy(), LoaderCoil::Lift);
    let setup = MachineSetup::parked().unplugged(lift);
    let path = circuit.path(&setup, ProbePoint::CoilFeed(lift), ProbePoint::CoilGround(lift));
    assert!((path.ohms - 7.5 * (1.0 + 0.003_93 * 4.0)).abs() < 1e-6 && path.standing_v.abs() < 1e-9, "{path:?}");
    let apart = circuit.path(&setup, ProbePoint::CoilFeed(lift), ProbePoint::HarnessFeed(lift));
    assert!(apart.ohms > 1e8, "{apart:?}");
    // Plugged in and key off, the driver's pull-down and the machine's frame stand beside the winding.
    let plugged = circuit.path(&MachineSetup::parked(), ProbePoint::CoilFeed(lift), ProbePoint::CoilGround(lift));
    assert!((plugged.ohms - 7.618 * 10_000.0 / 10_007.6).abs() < 1e-3, "{plugged:?}");
}

#[test]
fn ohms_on_a_live_circuit_meet_standing_volts() {
    let live = MachineSetup::holding(&[LoaderCoil::Lift]);
    let path = LoaderCircuit::healthy().path(
        &live,
        ProbePoint::CoilFeed(LoaderCoil::Lift),
        ProbePoint::CoilGround(LoaderCoil::Lift),
    );
    assert!(path.standing_v > 12.0, "{path:?}");
}

fn any_drive() -> impl Strategy<Value = DriverCommand> {
    prop_oneof![
        Just(DriverCommand::Off),
        Just(DriverCommand::On),
        (0.0..1.0).prop_map(DriverCommand::Duty),
        (0.0..3.0).prop_map(DriverCommand::Amps)
    ]
}

proptest! {
    #[test]
    fn currents_add_up_whatever_is_driven(
        drives in proptest::array::uniform5(any_drive()), ground in 0.001f64..2.0, feed in 0.001f64..0.5
    ) {
        let mut circuit = LoaderCircuit::healthy();
        (circuit.ground_ohms, circuit.feed_ohms) = (ground, feed);
        let setup = MachineSetup { drives, ..MachineSetup::holding(&[]) };
        let operating = circuit.solve(&setup);
        let through_stud = operating.ground_drop_v() / ground;
        let sum: f64 = LoaderCoil::ALL.iter().map(|&coil| operating.clamp_a(coil)).sum();
        prop_assert!((through_stud - sum).abs() < 1e-6, "Kirchhoff at the stud: {} {}", through_stud, sum);
        let arriving = operating.between(ProbePoint::BatteryPositive, ProbePoint::BlockFeed) / feed;
        prop_assert!((arriving - operating.drawn_a()).abs() < 1e-6, "Kirchhoff at the battery");
        // Choppers without loss: power from the battery is at least what the coils turn to heat.
        let heat: f64 = LoaderCoil::ALL.iter().map(|&coil| {
            operating.between(ProbePoint::CoilFeed(coil), ProbePoint::CoilGround(coil)) * operating.clamp_a(coil)
        }).sum();
        prop_assert!(operating.volts(ProbePoint::BlockFeed) * operating.drawn_a() >= heat - 1e-6);
        for (coil, drive) in LoaderCoil::ALL.into_iter().zip(drives) {
            if let DriverCommand::Amps(bound) = drive {
                prop_assert!(operating.clamp_a(coil) <= bound + 1e-9);
            }
        }
    }
}
