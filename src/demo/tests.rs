//! The whole demo as the daemon will meet it: what is read from the ports alone shows the simulated faults.

use std::convert::Infallible;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader};
use std::os::unix::fs::OpenOptionsExt;
use std::time::Duration;

use nix::fcntl::OFlag;

use super::bench::{InstrumentPort, SimulatedInstrument};
use super::circuit::LoaderCoil;
use super::fault::SimulatedFault;
use super::files::tests::keeps;
use super::meter::ClampBoard;
use super::*;
use crate::units::Measure;

/// One port as a technician's tool reads it.
struct TestPortReader {
    instrument: SimulatedInstrument,
    port: BufReader<File>,
    lines: Vec<String>,
}

impl TestPortReader {
    fn open(port: &InstrumentPort) -> Self {
        let file = OpenOptions::new().read(true).custom_flags(OFlag::O_NOCTTY.bits()).open(&port.path).unwrap();
        Self { instrument: port.instrument, port: BufReader::new(file), lines: Vec::new() }
    }

    /// Reads all that has been printed so far.
    fn catch_up(&mut self, bench: &SimulatedBench) {
        while (self.lines.len() as u64) < bench.lines(self.instrument) - bench.dropped(self.instrument) {
            let mut line = String::new();
            self.port.read_line(&mut line).unwrap();
            let line = line.strip_suffix("\r\n").expect("a whole line");
            if line != ClampBoard::HEADER {
                self.lines.push(line.to_owned());
            }
        }
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
    fn catch_up(&mut self) {
        self.readers.iter_mut().for_each(|reader| reader.catch_up(self.bench));
    }

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
        self.catch_up();
        let last = self.readers.iter().map(|reader| reader.lines.last().unwrap().clone());
        self.taken.push((self.step.clone(), last.collect()));
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
        self.catch_up();
        if self.step.starts_with("shared ground") {
            let line = self.readers[SimulatedInstrument::Supply as usize].lines.last().unwrap();
            let ground: Measure = line.split_once("ground=").unwrap().1.parse().unwrap();
            self.worst_ground_v = self.worst_ground_v.max(ground.value);
        }
        Ok(())
    }
}

/// Steps of the coils whose value as printed is outside, and the worst drop on the shared ground, volt.
fn diagnose(faults: Vec<SimulatedFault>, seed: u64) -> (Vec<String>, f64) {
    // Faster than a person, so that the test takes two or three seconds.
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
    (outside, tool.worst_ground_v)
}

#[test]
fn the_ports_alone_show_what_is_planted() {
    let (outside, ground_v) = diagnose(SimulationSettings::default().faults, 1);
    assert_eq!(outside, ["tilt coil ohms", "tilt coil held on"]);
    assert!(ground_v > 0.3, "{ground_v}");
}

#[test]
fn the_ports_of_a_sound_machine_show_nothing() {
    let (outside, ground_v) = diagnose(vec![SimulatedFault::None], 2);
    assert_eq!(outside, Vec::<String>::new());
    // Under 100 mV with everything running is good: common practice, no source.
    assert!((0.02..0.1).contains(&ground_v), "{ground_v}");
}
