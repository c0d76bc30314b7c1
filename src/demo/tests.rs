//! The whole demo as the daemon will meet it: what is read from the ports alone shows the simulated faults.

use std::convert::Infallible;
use std::fs::OpenOptions;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::OpenOptionsExt;
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread;
use std::time::Duration;

use nix::fcntl::OFlag;

use super::bench::{InstrumentPort, SimulatedInstrument};
use super::circuit::LoaderCoil;
use super::fault::SimulatedFault;
use super::files::tests::keeps;
use super::meter::ClampBoard;
use super::*;
use crate::units::Measure;

/// One port as a technician's tool reads it: on a thread of its own, so that the port never fills up and no test waits for a
/// line that was dropped.
struct TestPortReader {
    instrument: SimulatedInstrument,
    printed: Arc<PrintedLines>,
}

#[derive(Default)]
struct PrintedLines {
    lines: Mutex<Vec<String>>,
    grown: Condvar,
}

impl TestPortReader {
    fn open(port: &InstrumentPort) -> Self {
        let file = OpenOptions::new().read(true).custom_flags(OFlag::O_NOCTTY.bits()).open(&port.path).unwrap();
        let printed = Arc::new(PrintedLines::default());
        let kept = Arc::clone(&printed);
        // It ends with the bench, whose end is an error of the port.
        thread::spawn(move || {
            for line in BufReader::new(file).lines().map_while(Result::ok) {
                if line != ClampBoard::HEADER {
                    kept.lines.lock().unwrap().push(line);
                    kept.grown.notify_all();
                }
            }
        });
        Self { instrument: port.instrument, printed }
    }

    /// All that has been printed so far; waits until it has been read.
    fn lines(&self, bench: &SimulatedBench) -> MutexGuard<'_, Vec<String>> {
        /// Far more than is needed, however slow the machine: a test that fails says so instead of hanging.
        const LONGEST: Duration = Duration::from_secs(60);
        let wanted = bench.lines(self.instrument) - bench.dropped(self.instrument);
        let lines = self.printed.lines.lock().unwrap();
        let is_behind = |lines: &mut Vec<String>| (lines.len() as u64) < wanted;
        let (lines, waited) = self.printed.grown.wait_timeout_while(lines, LONGEST, is_behind).unwrap();
        assert!(!waited.timed_out(), "{} lines of {wanted} of the {}", lines.len(), self.instrument.name());
        lines
    }
}

/// Reads the ports and keeps what they showed last when a value would be captured.
struct PortOperator<'a> {
    bench: &'a SimulatedBench,
    readers: Vec<TestPortReader>,
    step: String,
    taken: Vec<(String, Vec<String>)>,
    worst_ground_v: f64,
}

impl PortOperator<'_> {
    fn shown(&self, step: &str, instrument: SimulatedInstrument) -> &str {
        &self.taken.iter().find(|(name, _)| name == step).unwrap().1[instrument as usize]
    }
}

impl Operator for PortOperator<'_> {
    type Error = Infallible;

    fn step(&mut self, name: &str) -> Result<(), Infallible> {
        name.clone_into(&mut self.step);
        Ok(())
    }

    fn captured(&mut self) -> Result<(), Infallible> {
        let last = self.readers.iter().map(|reader| reader.lines(self.bench).last().unwrap().clone());
        let last = last.collect();
        self.taken.push((self.step.clone(), last));
        Ok(())
    }

    fn asked(&mut self, _words: &str) -> Result<(), Infallible> {
        Ok(())
    }

    fn note(&mut self, _text: &str) -> Result<(), Infallible> {
        Ok(())
    }

    fn dwell(&mut self, at_least: Duration, until: DwellUntil) -> Result<(), Infallible> {
        self.bench.dwell(at_least, until);
        if self.step.starts_with("shared ground") {
            let lines = self.readers[SimulatedInstrument::Supply as usize].lines(self.bench);
            let ground = lines.last().unwrap().split(' ').find_map(|pair| pair.strip_prefix("ground=")).unwrap();
            self.worst_ground_v = self.worst_ground_v.max(ground.parse::<Measure>().unwrap().value);
        }
        Ok(())
    }
}

/// What the ports show of a machine.
struct Diagnosis {
    /// Steps of the coils whose value as printed is outside.
    outside: Vec<String>,
    /// The worst drop on the shared ground, volt.
    ground_v: f64,
    /// How long the tilt coil's current lasted after each release of its lever, ms by the board's clock.
    releases_ms: Vec<u64>,
    /// Scans in which the lift coil carried nothing although it carried 1 A in the scans before and after.
    missing: usize,
}

fn diagnose(faults: Vec<SimulatedFault>, seed: u64) -> Diagnosis {
    // Faster than a person, but for the drive, which takes its time.
    const SPEED: f64 = 15.0;
    let folder = tempfile::tempdir().unwrap();
    let bench = SimulatedBench::start(folder.path(), &SimulationSettings { faults, seed, speed: SPEED }).unwrap();
    let readers = bench.ports().iter().map(TestPortReader::open).collect();
    let mut tool = PortOperator { bench: &bench, readers, step: String::new(), taken: Vec::new(), worst_ground_v: 0.0 };
    Scenario::yard().play(bench.machine(), SPEED, &mut tool).unwrap();

    let mut outside = Vec::new();
    for coil in LoaderCoil::ALL {
        let ohms_step = format!("{} ohms", coil.word());
        let ohms: Measure = tool.shown(&ohms_step, SimulatedInstrument::Handheld).parse().unwrap();
        if !keeps(&ohms_step, ohms.value) {
            outside.push(ohms_step);
        }
        let held_step = format!("{} held on", coil.word());
        let scan = tool.shown(&held_step, SimulatedInstrument::Clamps);
        let volts: f64 = scan.split(',').nth(1 + coil.index()).unwrap().parse().unwrap();
        if !keeps(&held_step, volts / ClampBoard::VOLTS_PER_AMP) {
            outside.push(held_step);
        }
    }
    let scans: Vec<Vec<f64>> = tool.readers[SimulatedInstrument::Clamps as usize]
        .lines(&bench)
        .iter()
        .map(|line| line.split(',').map(|column| column.parse().unwrap()).collect())
        .collect();
    let amps = |scan: &[f64], coil: LoaderCoil| scan[1 + coil.index()] / ClampBoard::VOLTS_PER_AMP;
    let releases = (1..scans.len()).filter(|&at| scans[at - 1][6] > 3.5 && scans[at][6] < 3.5);
    let off = |at: usize| scans[at..].iter().find(|scan| amps(scan, LoaderCoil::Tilt) < 0.5).unwrap();
    let lift = |scan: &[f64]| amps(scan, LoaderCoil::Lift);
    let is_missing = |three: &&[Vec<f64>]| lift(&three[0]) > 1.0 && lift(&three[1]) < 0.1 && lift(&three[2]) > 1.0;
    Diagnosis {
        outside,
        ground_v: tool.worst_ground_v,
        releases_ms: releases.map(|at| (off(at)[0] - scans[at][0]) as u64).collect(),
        missing: scans.windows(3).filter(is_missing).count(),
    }
}

#[test]
fn the_ports_alone_show_what_is_planted() {
    let shown = diagnose(SimulationSettings::default().faults, 1);
    assert_eq!(shown.outside, ["tilt coil ohms", "tilt coil held on"]);
    assert!(shown.ground_v > 0.3, "{}", shown.ground_v);
    assert!(matches!(shown.releases_ms[..], [0, late] if late >= 400), "{:?}", shown.releases_ms);
    assert_eq!(shown.missing, 1);
}

#[test]
fn the_ports_of_a_sound_machine_show_nothing() {
    let shown = diagnose(vec![SimulatedFault::None], 2);
    assert_eq!(shown.outside, Vec::<String>::new());
    // Under 100 mV with everything running is good: common practice, no source.
    assert!((0.02..0.1).contains(&shown.ground_v), "{}", shown.ground_v);
    assert_eq!((&shown.releases_ms[..], shown.missing), (&[0, 0][..], 0));
}
