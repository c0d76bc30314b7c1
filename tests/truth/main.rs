//! Proves that findings find what is wrong: faults are planted by chance in a simulated circuit, measured with
//! simulated meters whose errors stay within their accuracy, and concluded from. Aims: the right finding
//! first in at least 95 % of the runs, fewer than 1 % false alarms on sound circuits.
//!
//! `cargo test --test truth -- --nocapture` prints the table. The circuit, its spread and the sizes of faults
//! are the demo's, and invented.

mod bench;

use std::collections::BTreeMap;

use bayline::{
    demo::{
        circuit::Coil,
        fault::{Fault, varied},
        noise::Noise,
    },
    session::findings::{Finding, Kind, conclude},
};
use bench::Technician;

const OF_EACH_KIND: u64 = 10;
const SOUND: u64 = 150;

/// What should be found, and where.
fn expected(fault: &Fault) -> (Kind, Vec<Coil>) {
    match *fault {
        Fault::None => (Kind::Healthy, Coil::ALL.to_vec()),
        Fault::OpenCoil { coil } => (Kind::OpenCircuit, vec![coil]),
        Fault::ShortCoil { coil, .. } => (Kind::ShortedCoil, vec![coil]),
        Fault::HighCoil { coil, .. } => (Kind::CoilOutOfTolerance, vec![coil]),
        Fault::CorrodedGroundStud { .. } => (Kind::SharedGround, vec![]),
        // Measured at the coil's own terminals, a pin is part of its side.
        Fault::CorrodedFeedPin { coil, .. } => (Kind::FeedResistance, vec![coil]),
        Fault::CorrodedGroundPin { coil, .. } => (Kind::GroundResistance, vec![coil]),
        Fault::FeedLowEverywhere { .. } => (Kind::FeedLowEverywhere, vec![]),
        Fault::FeedLowInBranch { coil, .. } => (Kind::FeedLowInBranch, vec![coil]),
        Fault::ShortToFeed { coil, .. } => (Kind::ShortToFeed, vec![coil]),
        Fault::ShortToGround { coil, .. } => (Kind::ShortToGround, vec![coil]),
        Fault::SwappedTerminals { one, other } => (Kind::SwappedTerminals, vec![one, other]),
        Fault::ParallelPath { coil, .. } => (Kind::ParallelPath, vec![coil]),
        Fault::WeakBattery { .. } => (Kind::WeakSupply, vec![]),
    }
}

fn is_right(finding: &Finding, fault: &Fault) -> bool {
    let (kind, coils) = expected(fault);
    let mut circuits: Vec<&str> = finding.circuits.iter().map(String::as_str).collect();
    let mut expected: Vec<&str> = coils.iter().map(|coil| coil.word()).collect();
    circuits.sort_unstable();
    expected.sort_unstable();
    finding.kind == kind && circuits == expected
}

/// One visit of one machine.
fn findings(kind: usize, seed: u64) -> (Fault, Vec<Finding>) {
    let mut noise = Noise::new(seed ^ (kind as u64) << 32);
    let mut circuit = varied(&mut noise);
    let fault = Fault::of_kind(kind, &mut noise);
    fault.plant(&mut circuit);
    (fault, conclude(&Technician::new(&circuit, &mut noise).whole_procedure()))
}

/// How often each kind was found first, and in how many runs it was right, and right alone.
#[derive(Default)]
struct Row {
    planted: &'static str,
    found: BTreeMap<&'static str, u32>,
    runs: u32,
    right: u32,
    alone: u32,
    wrong: Vec<String>,
}

fn row(kind: usize, runs: u64) -> Row {
    let mut row = Row::default();
    for seed in 0..runs {
        let (fault, findings) = findings(kind, seed);
        row.planted = fault.kind();
        row.runs += 1;
        *row.found.entry(findings[0].kind.word()).or_default() += 1;
        let faults = findings.iter().filter(|finding| finding.kind.is_fault()).count();
        if is_right(&findings[0], &fault) {
            row.right += 1;
            row.alone += u32::from(faults <= 1);
        } else {
            row.wrong.push(format!("{seed}: {} -> {} {}", fault.word(), findings[0].sentence, findings[0].sure));
        }
    }
    row
}

#[test]
fn the_right_finding_comes_first() {
    let kinds: Vec<(usize, u64)> =
        (0..Fault::KINDS).map(|kind| (kind, if kind == 0 { SOUND } else { OF_EACH_KIND })).collect();
    // Sound circuits on one core, planted ones on the other.
    let table = |rows: &[(usize, u64)]| rows.iter().map(|(kind, runs)| row(*kind, *runs)).collect::<Vec<Row>>();
    let rows = std::thread::scope(|scope| {
        let (sound, planted) = kinds.split_at(1);
        let sound = scope.spawn(move || table(sound));
        let planted = table(planted);
        sound.join().unwrap().into_iter().chain(planted).collect::<Vec<Row>>()
    });
    println!("{:24} {:>5} {:>6} {:>6}  found first", "planted", "runs", "right", "alone");
    for row in &rows {
        let found: Vec<String> = row.found.iter().map(|(kind, count)| format!("{kind} {count}")).collect();
        println!("{:24} {:>5} {:>6} {:>6}  {}", row.planted, row.runs, row.right, row.alone, found.join(", "));
        row.wrong.iter().for_each(|wrong| println!("    {wrong}"));
    }
    let (sound, faults) = rows.split_first().unwrap();
    let (right, runs) = faults.iter().fold((0, 0), |(right, runs), row| (right + row.right, runs + row.runs));
    let false_alarms = sound.runs - sound.right;
    println!("right first {right} of {runs}, false alarms {false_alarms} of {}", sound.runs);
    assert!(f64::from(right) >= 0.95 * f64::from(runs), "right first {right} of {runs}");
    assert!(f64::from(false_alarms) < 0.01 * f64::from(sound.runs), "{false_alarms} false alarms");
}
