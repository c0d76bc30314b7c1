//! Each fault has the symptom that it is known by, and no other.

use super::*;
use crate::demo::circuit::MachineSetup;
use crate::demo::operating::ProbePoint;

/// What one coil shows to the usual measurements.
#[derive(Debug, Clone, Copy)]
struct CoilSymptoms {
    /// Own terminals, unplugged, ohm.
    ohms: f64,
    /// Held on, unplugged, at the harness plug, volt.
    idle_feed_v: f64,
    /// Held on alone, ampere.
    held_a: f64,
    /// Driver off and key on, ampere.
    off_a: f64,
}

fn shown(circuit: &LoaderCircuit, coil: LoaderCoil) -> CoilSymptoms {
    let pulled = MachineSetup::parked().unplugged(coil);
    let held = MachineSetup::holding(&[coil]);
    CoilSymptoms {
        ohms: circuit.path(&pulled, ProbePoint::CoilFeed(coil), ProbePoint::CoilGround(coil)).ohms,
        idle_feed_v: circuit.solve(&held.clone().unplugged(coil)).volts(ProbePoint::HarnessFeed(coil)),
        held_a: circuit.solve(&held).clamp_a(coil),
        off_a: circuit.solve(&MachineSetup::holding(&[])).clamp_a(coil),
    }
}

/// All coils' showing with the fault, and with none.
fn compare(fault: SimulatedFault) -> (LoaderCircuit, impl Fn(LoaderCoil) -> (CoilSymptoms, CoilSymptoms)) {
    let mut circuit = LoaderCircuit::healthy();
    fault.apply(&mut circuit);
    let faulty = circuit.clone();
    (circuit, move |coil| (shown(&faulty, coil), shown(&LoaderCircuit::healthy(), coil)))
}

fn near(found: f64, expected: f64) -> bool {
    (found - expected).abs() < 0.02 * expected
}

fn unharmed((found, healthy): (CoilSymptoms, CoilSymptoms)) -> bool {
    near(found.ohms, healthy.ohms) && near(found.idle_feed_v, healthy.idle_feed_v) && near(found.held_a, healthy.held_a)
}

fn ground_drop_v(circuit: &LoaderCircuit, held: &[LoaderCoil]) -> f64 {
    circuit.solve(&MachineSetup::holding(held)).ground_drop_v()
}

#[test]
fn a_sound_block_passes() {
    let circuit = LoaderCircuit::healthy();
    // A shared ground under 100 mV with everything running is good: common practice, no source.
    assert!(ground_drop_v(&circuit, &LoaderCoil::ALL) < 0.1);
    assert!(circuit.solve(&MachineSetup::holding(&LoaderCoil::ALL)).volts(ProbePoint::BlockFeed) > 12.0);
    assert_eq!(compare(SimulatedFault::None).0, circuit);
}

#[test]
fn windings() {
    let coil = LoaderCoil::Tilt;
    let (_, at) = compare(SimulatedFault::OpenCoil { coil });
    let (found, healthy) = at(coil);
    assert!(found.ohms > 60e6 && found.held_a.abs() < 1e-6 && near(found.idle_feed_v, healthy.idle_feed_v));
    assert!(unharmed(at(LoaderCoil::Lift)));

    for fault in [SimulatedFault::ShortCoil { coil, ohms_20: 3.0 }, SimulatedFault::HighCoil { coil, ohms_20: 10.0 }] {
        let (_, at) = compare(fault);
        let (found, healthy) = at(coil);
        assert!(!near(found.ohms, healthy.ohms) && !near(found.held_a, healthy.held_a), "{}", fault.word());
        // Volts across the whole branch explain the amps by the ohms: 0.09 ohm of good wire and joints, and the feed's.
        assert!(near(found.held_a * (found.ohms + 0.12), found.idle_feed_v), "{}: {found:?}", fault.word());
        assert!(unharmed(at(LoaderCoil::Lift)));
    }
}

#[test]
fn a_ground_stud_shows_under_load_only() {
    let (circuit, at) = compare(SimulatedFault::CorrodedGroundStud { ohms: 0.05 });
    assert!(ground_drop_v(&circuit, &[]).abs() < 1e-3, "not loaded");
    assert!(ground_drop_v(&circuit, &[LoaderCoil::Lift]) < 0.1, "one coil is not enough");
    assert!(ground_drop_v(&circuit, &LoaderCoil::ALL) > 0.3);
    assert!(LoaderCoil::ALL.into_iter().all(|coil| unharmed(at(coil))), "one coil alone hardly feels it");
}

#[test]
fn a_pin_shows_under_load_only_and_on_its_side() {
    let coil = LoaderCoil::Auxiliary;
    for (fault, in_front) in [
        (SimulatedFault::CorrodedFeedPin { coil, ohms: 2.0 }, true),
        (SimulatedFault::CorrodedGroundPin { coil, ohms: 2.0 }, false),
    ] {
        let (circuit, at) = compare(fault);
        let (found, healthy) = at(coil);
        assert!(near(found.ohms, healthy.ohms) && near(found.idle_feed_v, healthy.idle_feed_v));
        assert!(found.held_a < 0.85 * healthy.held_a);
        let loaded = circuit.solve(&MachineSetup::holding(&[coil]));
        let front_v = loaded.between(ProbePoint::HarnessFeed(coil), ProbePoint::CoilFeed(coil));
        let behind_v = loaded.between(ProbePoint::CoilGround(coil), ProbePoint::HarnessGround(coil));
        assert!((front_v > 2.0) == in_front && (behind_v > 2.0) != in_front, "{front_v} {behind_v}");
        assert!(unharmed(at(LoaderCoil::Lift)));
    }
}

#[test]
fn low_feed_everywhere_is_not_the_battery() {
    let (circuit, at) = compare(SimulatedFault::FeedLowEverywhere { ohms: 0.8 });
    let idle = circuit.solve(&MachineSetup::holding(&[]));
    assert!(idle.volts(ProbePoint::BlockFeed) < 11.8 && idle.volts(ProbePoint::BatteryPositive) > 12.5);
    for coil in LoaderCoil::ALL {
        let (found, healthy) = at(coil);
        assert!(found.idle_feed_v < 0.95 * healthy.idle_feed_v && found.held_a < 0.95 * healthy.held_a);
    }
}

#[test]
fn low_feed_in_one_branch_leaves_the_others() {
    let (circuit, at) = compare(SimulatedFault::FeedLowInBranch { coil: LoaderCoil::Float, lost_v: 2.0 });
    let (found, healthy) = at(LoaderCoil::Float);
    assert!((healthy.idle_feed_v - found.idle_feed_v - 2.0).abs() < 0.01 && found.held_a < 0.9 * healthy.held_a);
    assert!(unharmed(at(LoaderCoil::BrakeRelease)));
    assert!(circuit.solve(&MachineSetup::holding(&[])).volts(ProbePoint::BlockFeed) > 12.5);
}

#[test]
fn shorts_outside_the_coil() {
    let (_, at) = compare(SimulatedFault::ShortToFeed { coil: LoaderCoil::Lift, ohms: 0.1 });
    let (found, healthy) = at(LoaderCoil::Lift);
    assert!(found.off_a > 1.4 && healthy.off_a.abs() < 0.01 && near(found.ohms, healthy.ohms));
    assert!(at(LoaderCoil::Tilt).0.off_a.abs() < 0.01);

    let (_, at) = compare(SimulatedFault::ShortToGround { coil: LoaderCoil::Lift, ohms: 0.2 });
    let (found, healthy) = at(LoaderCoil::Lift);
    assert!(found.idle_feed_v < 3.0 && found.held_a > 9.0 && near(found.ohms, healthy.ohms));
}

#[test]
fn swapped_terminals_exchange_two_circuits() {
    let (_, at) = compare(SimulatedFault::SwappedTerminals { one: LoaderCoil::Lift, other: LoaderCoil::Float });
    let ((lift, sound_lift), (float, sound_float)) = (at(LoaderCoil::Lift), at(LoaderCoil::Float));
    assert!(near(lift.ohms, sound_float.ohms) && near(float.ohms, sound_lift.ohms));
    assert!(near(lift.held_a, sound_float.held_a) && near(float.held_a, sound_lift.held_a));
    assert!(unharmed(at(LoaderCoil::Tilt)));
}

#[test]
fn a_parallel_path_draws_what_the_coil_does_not() {
    let (_, at) = compare(SimulatedFault::ParallelPath { coil: LoaderCoil::Tilt, ohms: 12.0 });
    let (found, healthy) = at(LoaderCoil::Tilt);
    // Near 12.5 V on 12 ohm beside the coil: 1 A more.
    assert!((found.held_a - healthy.held_a - 1.0).abs() < 0.1 && near(found.ohms, healthy.ohms));
    assert!(near(found.idle_feed_v, healthy.idle_feed_v));
}

#[test]
fn a_weak_battery_is_low_at_its_posts() {
    let (circuit, _) = compare(SimulatedFault::WeakBattery { battery_v: 11.2, ohms: 0.15 });
    let idle = circuit.solve(&MachineSetup::holding(&[])).volts(ProbePoint::BatteryPositive);
    let loaded = circuit.solve(&MachineSetup::holding(&LoaderCoil::ALL)).volts(ProbePoint::BatteryPositive);
    assert!(idle < 11.2 && loaded < idle - 0.8, "{idle} {loaded}");
}

#[test]
fn each_kind_comes_by_chance_and_changes_the_circuit() {
    let mut noise = Noise::new(2);
    let mut kinds = std::collections::BTreeSet::new();
    for kind in 0..SimulatedFault::KINDS {
        let fault = SimulatedFault::of_kind(kind, &mut noise);
        kinds.insert(fault.kind());
        let mut circuit = LoaderCircuit::healthy();
        fault.apply(&mut circuit);
        assert_eq!(circuit == LoaderCircuit::healthy(), fault == SimulatedFault::None, "{}", fault.word());
        assert!(fault.word().starts_with(fault.kind()));
    }
    assert_eq!(kinds.len(), SimulatedFault::KINDS);
    let met: std::collections::BTreeSet<_> = (0..500).map(|_| SimulatedFault::any(&mut noise).kind()).collect();
    assert_eq!(met, kinds);
}

#[test]
fn the_same_seed_plants_the_same_fault() {
    assert_eq!(SimulatedFault::any(&mut Noise::new(41)), SimulatedFault::any(&mut Noise::new(41)));
    assert_eq!(varied_circuit(&mut Noise::new(41)), varied_circuit(&mut Noise::new(41)));
}

#[test]
fn a_varied_block_is_still_sound() {
    let mut noise = Noise::new(9);
    for _ in 0..200 {
        let circuit = varied_circuit(&mut noise);
        assert!(ground_drop_v(&circuit, &LoaderCoil::ALL) < 0.1);
        assert!(circuit.solve(&MachineSetup::holding(&LoaderCoil::ALL)).volts(ProbePoint::BlockFeed) > 11.8);
        for coil in LoaderCoil::ALL {
            // The procedure's 8 % about the ohms at 20 °C, once corrected for the temperature.
            let cold = circuit.ohms_behind(coil).unwrap() / (1.0 + 0.003_93 * (circuit.coil_celsius - 20.0));
            assert!((cold / coil.nominal_ohms() - 1.0).abs() < 0.08);
        }
    }
}

#[test]
fn what_only_a_drive_shows_is_nothing_while_a_coil_is_held_on() {
    for fault in [
        SimulatedFault::LateRelease { coil: LoaderCoil::Tilt, delay: Duration::from_millis(400) },
        SimulatedFault::LooseFeedPin { coil: LoaderCoil::Tilt },
    ] {
        let (circuit, at) = compare(fault);
        assert_ne!(circuit, LoaderCircuit::healthy());
        assert!(LoaderCoil::ALL.into_iter().all(|coil| unharmed(at(coil))), "{}", fault.word());
        assert!(fault.word().starts_with(fault.kind()));
    }
}

#[test]
fn a_blown_fuse_leaves_the_work_light_dead() {
    let mut circuit = LoaderCircuit::healthy();
    let feed = |circuit: &LoaderCircuit| circuit.solve(&MachineSetup::holding(&[])).volts(ProbePoint::WorkLightFeed);
    assert!(feed(&circuit) > 12.0);
    SimulatedFault::BlownWorkLightFuse.apply(&mut circuit);
    assert!(feed(&circuit).abs() < 1e-3, "{}", feed(&circuit));
}
