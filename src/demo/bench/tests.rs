//! The bench as a reader of its ports meets it: whole lines, at a pace, lost and found again.

use std::fs::{self, File, OpenOptions};
use std::io::{BufRead, BufReader};
use std::os::unix::fs::OpenOptionsExt;

use nix::fcntl::OFlag;

use super::*;
use crate::demo::circuit::{LoaderCoil, MachineSetup};
use crate::demo::machine::ProbeLeads;
use crate::demo::operating::ProbePoint;
use crate::units::Measure;

impl SimulatedBench {
    /// Pulls an instrument's cable: its port is gone, and its reader gets an error.
    pub(in crate::demo) fn unplug(&self, instrument: SimulatedInstrument) {
        self.link(instrument).pull();
    }

    /// Plugs an instrument in again, which starts it anew; nothing happens to one that is plugged in.
    ///
    /// # Errors
    /// When there is no pseudo-terminal left or the link can't be made.
    pub(in crate::demo) fn plug_in(&self, instrument: SimulatedInstrument) -> Result<(), SimulatedBenchError> {
        self.link(instrument).plug_in()
    }

    /// How many lines an instrument has printed, headers not counted, whether or not somebody read them.
    pub(in crate::demo) fn lines(&self, instrument: SimulatedInstrument) -> u64 {
        self.link(instrument).lock().lines
    }

    /// How many of these lines were lost because the port was full.
    pub(in crate::demo) fn dropped(&self, instrument: SimulatedInstrument) -> u64 {
        self.link(instrument).lock().dropped
    }

    fn link(&self, instrument: SimulatedInstrument) -> &InstrumentLink {
        // The array is built from all instruments in the order of their declaration.
        &self.links[instrument as usize]
    }
}

/// Ten times the ordinary pace, so that events come soon.
fn bench(folder: &Path, faults: &[SimulatedFault]) -> SimulatedBench {
    SimulatedBench::start(folder, &SimulationSettings { faults: faults.to_vec(), seed: 4, speed: 10.0 }).unwrap()
}

struct LineReader(BufReader<File>);

impl LineReader {
    fn open(bench: &SimulatedBench, instrument: SimulatedInstrument) -> Self {
        let port = bench.ports().into_iter().find(|port| port.instrument == instrument).unwrap();
        let file = OpenOptions::new().read(true).custom_flags(OFlag::O_NOCTTY.bits()).open(port.path);
        Self(BufReader::new(file.unwrap()))
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.0.read_line(&mut line).unwrap();
        line.strip_suffix("\r\n").expect("whole lines end so").to_owned()
    }

    /// The next line for which this holds; never comes back if there is none.
    fn until(&mut self, wanted: impl Fn(&str) -> bool) -> String {
        loop {
            let line = self.line();
            if wanted(&line) {
                return line;
            }
        }
    }
}

fn volts(text: &str) -> f64 {
    text.parse::<Measure>().unwrap().value
}

#[test]
fn the_clamp_board_prints_a_header_and_then_scans_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &[]);
    let mut reader = LineReader::open(&bench, SimulatedInstrument::Clamps);
    assert_eq!(reader.line(), ClampBoard::HEADER);
    let mut before_ms = -1;
    for _ in 0..50 {
        let line = reader.line();
        let columns: Vec<&str> = line.split(',').collect();
        let ms: i64 = columns[0].parse().unwrap();
        assert!(columns.len() == 7 && ms > before_ms, "{line} after {before_ms}");
        before_ms = ms;
    }
}

#[test]
fn what_the_hands_do_comes_out_of_every_port() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &[]);
    let [mut clamps, mut handheld, mut supply] =
        SimulatedInstrument::ALL.map(|instrument| LineReader::open(&bench, instrument));
    handheld.until(|line| volts(line).abs() < 0.01);
    bench.machine().change(|operator| {
        operator.setup = MachineSetup::holding(&LoaderCoil::ALL);
        operator.leads = ProbeLeads::On { red: ProbePoint::BlockFeed, black: ProbePoint::BatteryNegative };
    });
    handheld.until(|line| line.ends_with(" V") && volts(line) > 12.0);
    clamps.until(|line| line.split(',').nth(2).and_then(|tilt| tilt.parse().ok()).is_some_and(|tilt: f64| tilt > 0.14));
    supply.until(|line| {
        let [supply, ground, _] = line.split(' ').collect::<Vec<_>>().try_into().unwrap();
        let (supply, ground) = (supply.strip_prefix("supply=").unwrap(), ground.strip_prefix("ground=").unwrap());
        (12.0..12.8).contains(&volts(supply)) && (0.02..0.1).contains(&volts(ground))
    });
}

#[test]
fn a_planted_fault_is_in_the_lines() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &[SimulatedFault::CorrodedGroundStud { ohms: 0.1 }]);
    bench.machine().change(|operator| operator.setup = MachineSetup::holding(&LoaderCoil::ALL));
    LineReader::open(&bench, SimulatedInstrument::Supply)
        .until(|line| volts(line.split_once("ground=").unwrap().1.split(' ').next().unwrap()) > 0.4);
}

#[test]
fn nobody_reading_stops_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let settings = SimulationSettings { faults: Vec::new(), seed: 1, speed: 100.0 };
    let bench = SimulatedBench::start(folder.path(), &settings).unwrap();
    while bench.dropped(SimulatedInstrument::Clamps) == 0 {
        bench.dwell(Duration::ZERO, DwellUntil::AllHaveShown);
    }
    let mut reader = LineReader::open(&bench, SimulatedInstrument::Clamps);
    assert_eq!(reader.line(), ClampBoard::HEADER);
    assert!((0..200).all(|_| reader.line().split(',').count() == 7));
}

#[test]
fn pulled_and_plugged_in_again_under_the_same_name() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &[]);
    let mut reader = LineReader::open(&bench, SimulatedInstrument::Clamps);
    reader.until(|line| line.starts_with(|first: char| first.is_ascii_digit()));
    let path = bench.ports()[0].path.clone();
    let device = fs::read_link(&path).unwrap();

    bench.unplug(SimulatedInstrument::Clamps);
    assert!(!path.exists() && fs::symlink_metadata(&path).is_err());
    let mut rest = Vec::new();
    let ended = std::io::Read::read_to_end(&mut reader.0, &mut rest);
    assert!(ended.is_ok() || ended.is_err_and(|error| error.raw_os_error() == Some(Errno::EIO as i32)));
    let before = bench.lines(SimulatedInstrument::Clamps);
    bench.dwell(Duration::ZERO, DwellUntil::AllHaveShown);
    assert_eq!(bench.lines(SimulatedInstrument::Clamps), before, "the others go on without it");

    bench.plug_in(SimulatedInstrument::Clamps).unwrap();
    bench.plug_in(SimulatedInstrument::Clamps).unwrap();
    let mut again = LineReader::open(&bench, SimulatedInstrument::Clamps);
    assert_eq!(again.line(), ClampBoard::HEADER, "it starts anew");
    let first_ms: u64 = again.line().split(',').next().unwrap().parse().unwrap();
    assert!(first_ms < 5000, "{first_ms}");
    assert!(device.starts_with("/dev") && fs::read_link(&path).unwrap().starts_with("/dev"));
}

#[test]
fn the_end_takes_the_ports_away() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &[]);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
    drop(bench);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_link_left_by_a_killed_run_is_replaced() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["clamps", "clamps.new"] {
        std::os::unix::fs::symlink("/nowhere", folder.path().join(name)).unwrap();
    }
    let bench = bench(folder.path(), &[]);
    assert_eq!(LineReader::open(&bench, SimulatedInstrument::Clamps).line(), ClampBoard::HEADER);
}

#[test]
fn a_folder_that_is_missing_is_reported() {
    let error = SimulatedBench::start(Path::new("/nonexistent/folder"), &SimulationSettings::default()).unwrap_err();
    assert_eq!(error.to_string(), "can't make the link /nonexistent/folder/clamps");
}
