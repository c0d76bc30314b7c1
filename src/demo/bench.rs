//! The simulated bench: three instruments, each on a pseudo-terminal and a thread of its own.
//!
//! A port has a stable name, a symbolic link in the folder given, as a plugged-in device has under
//! `/dev/serial/by-id`; pulling the cable takes it away and plugging in again brings it back on another
//! pseudo-terminal. The sleeps here are the devices' own clocks. Knows no procedure and no daemon.

#![allow(clippy::disallowed_methods, reason = "a simulated device has a clock of its own")]

use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use std::{fs, io, thread};

use nix::errno::Errno;

use super::circuit::LoaderCircuit;
use super::fault::{SimulatedFault, default_faults};
use super::machine::SimulatedMachine;
use super::meter::{ClampBoard, Handheld, Monitor};
use super::noise::Noise;
use super::pty::{PseudoTerminal, SendOutcome};

/// The devices on the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum SimulatedInstrument {
    /// Five clamps and a lever's signal on a board that prints columns.
    Clamps,
    /// A handheld meter that prints one number a line.
    Handheld,
    /// A board on battery, block ground and a wheel sensor that prints pairs.
    Supply,
}

impl SimulatedInstrument {
    /// All of them, in the order of the bench file.
    pub(crate) const ALL: [Self; 3] = [Self::Clamps, Self::Handheld, Self::Supply];

    /// As the bench file calls it.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Clamps => "clamps",
            Self::Handheld => "handheld",
            Self::Supply => "supply",
        }
    }

    /// Time from line to line at ordinary speed.
    pub(crate) const fn period(self) -> Duration {
        match self {
            Self::Clamps => Duration::from_millis(20),
            Self::Handheld => Duration::from_millis(250),
            Self::Supply => Duration::from_millis(50),
        }
    }
}

/// Where an instrument can be opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct InstrumentPort {
    /// Which one it is.
    pub instrument: SimulatedInstrument,
    /// A name that stays when the instrument is unplugged and plugged in again.
    pub path: PathBuf,
}

/// How long to stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DwellUntil {
    /// For the time given.
    TimeIsUp,
    /// And in any case for three lines of each instrument that is plugged in, so that the operator's last move
    /// before has been printed.
    AllHaveShown,
    /// And in any case for so many lines of the clamp board: what the machine does by the board's time needs them.
    ClampsHaveShown(u64),
}

/// What is to be simulated.
#[derive(Debug, Clone)]
pub(crate) struct SimulationSettings {
    /// Planted one after the other in a good block.
    pub faults: Vec<SimulatedFault>,
    /// Of the instruments' flaws and noise.
    pub seed: u64,
    /// How many times faster than ordinary the instruments report, 0.1 to 100.
    pub speed: f64,
}

impl Default for SimulationSettings {
    fn default() -> Self {
        Self { faults: default_faults(), seed: 1, speed: 1.0 }
    }
}

/// Why the bench can't be set up or an instrument not be plugged in.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SimulatedBenchError {
    /// The folder's name can't be written into a bench file.
    #[error("the folder {} has a name that is not UTF-8, choose another", folder.display())]
    FolderName {
        /// The folder.
        folder: PathBuf,
    },
    /// No pseudo-terminal.
    #[error("can't open a pseudo-terminal for the simulated {}", instrument.name())]
    Pty {
        /// For which instrument.
        instrument: SimulatedInstrument,
        /// The error of the system.
        source: Errno,
    },
    /// The port's stable name can't be made.
    #[error("can't make the link {}", link.display())]
    Link {
        /// The name.
        link: PathBuf,
        /// The error of the system.
        source: io::Error,
    },
    /// No thread.
    #[error("can't start a thread for the simulated {}", instrument.name())]
    Thread {
        /// For which instrument.
        instrument: SimulatedInstrument,
        /// The error of the system.
        source: io::Error,
    },
}

/// Three instruments at work until this is dropped.
#[derive(Debug)]
pub(crate) struct SimulatedBench {
    machine: Arc<SimulatedMachine>,
    links: [Arc<InstrumentLink>; 3],
    threads: Vec<JoinHandle<()>>,
}

impl SimulatedBench {
    /// Sets the bench up, the ports' names being links in an existing folder.
    ///
    /// # Errors
    /// See [`SimulatedBenchError`].
    pub(crate) fn start(folder: &Path, settings: &SimulationSettings) -> Result<Self, SimulatedBenchError> {
        if folder.to_str().is_none() {
            return Err(SimulatedBenchError::FolderName { folder: folder.to_owned() });
        }
        let mut circuit = LoaderCircuit::healthy();
        settings.faults.iter().for_each(|fault| fault.apply(&mut circuit));
        let machine = Arc::new(SimulatedMachine::new(circuit));
        let mut noise = Noise::new(settings.seed);
        let links = SimulatedInstrument::ALL.map(|instrument| Arc::new(InstrumentLink::new(folder, instrument)));
        let mut bench = Self { machine: Arc::clone(&machine), links, threads: Vec::new() };
        for link in &bench.links {
            link.plug_in()?;
            let device = SimulatedDevice::new(link.instrument, noise.fork());
            let period = link.instrument.period().div_f64(settings.speed.clamp(0.1, 100.0));
            let (machine, worker) = (Arc::clone(&machine), Arc::clone(link));
            let thread = thread::Builder::new()
                .name(format!("demo {}", link.instrument.name()))
                .spawn(move || worker.run(device, &machine, period))
                .map_err(|source| SimulatedBenchError::Thread { instrument: link.instrument, source })?;
            bench.threads.push(thread);
        }
        Ok(bench)
    }

    /// The machine and what the operator does to it.
    pub(crate) fn machine(&self) -> &SimulatedMachine {
        &self.machine
    }

    /// Where each instrument can be opened, in the order of the bench file.
    pub(crate) fn ports(&self) -> Vec<InstrumentPort> {
        self.links.iter().map(|link| InstrumentPort { instrument: link.instrument, path: link.link.clone() }).collect()
    }

    /// Lets at least this time pass; nothing is moved.
    pub(crate) fn dwell(&self, at_least: Duration, until: DwellUntil) {
        let end = Instant::now() + at_least;
        match until {
            DwellUntil::TimeIsUp => {}
            DwellUntil::AllHaveShown => self.links.iter().for_each(|link| link.wait_for_lines(3)),
            DwellUntil::ClampsHaveShown(lines) => {
                self.links[SimulatedInstrument::Clamps as usize].wait_for_lines(lines)
            }
        }
        thread::sleep(end.saturating_duration_since(Instant::now()));
    }
}

impl Drop for SimulatedBench {
    fn drop(&mut self) {
        for link in &self.links {
            link.pull();
            link.lock().work = WorkerState::Ended;
            link.changed.notify_all();
        }
        for thread in self.threads.drain(..) {
            // A panic was printed when it happened, and there is nobody left here to report it to.
            drop(thread.join());
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum WorkerState {
    GoesOn,
    Ended,
}

/// Between an instrument and whoever reads it.
#[derive(Debug)]
struct InstrumentLink {
    instrument: SimulatedInstrument,
    link: PathBuf,
    state: Mutex<LinkState>,
    /// Told at each line and at each change of the slot.
    changed: Condvar,
}

#[derive(Debug)]
struct LinkState {
    pty: Option<PseudoTerminal>,
    /// How often it was plugged in: the device starts anew each time.
    boots: u64,
    lines: u64,
    dropped: u64,
    work: WorkerState,
}

impl InstrumentLink {
    fn new(folder: &Path, instrument: SimulatedInstrument) -> Self {
        let state = LinkState { pty: None, boots: 0, lines: 0, dropped: 0, work: WorkerState::GoesOn };
        let link = folder.join(instrument.name());
        Self { instrument, link, state: Mutex::new(state), changed: Condvar::new() }
    }

    fn plug_in(&self) -> Result<(), SimulatedBenchError> {
        let mut state = self.lock();
        if state.pty.is_some() {
            return Ok(());
        }
        let pty = PseudoTerminal::open()
            .map_err(|source| SimulatedBenchError::Pty { instrument: self.instrument, source })?;
        point(&self.link, pty.name())
            .map_err(|source| SimulatedBenchError::Link { link: self.link.clone(), source })?;
        state.pty = Some(pty);
        state.boots += 1;
        self.changed.notify_all();
        Ok(())
    }

    fn pull(&self) {
        let mut state = self.lock();
        if state.pty.is_some() {
            // The name goes first, so that a reader that got the error does not find the link still there. A link that
            // somebody else removed is as good.
            drop(fs::remove_file(&self.link));
            state.pty = None;
        }
        self.changed.notify_all();
    }

    /// Waits for this many new lines; not at all while unplugged.
    fn wait_for_lines(&self, count: u64) {
        /// No instrument is silent for longer, even on a machine that is busy.
        const LONGEST: Duration = Duration::from_secs(10);
        let state = self.lock();
        let wanted = state.lines + count;
        let silent = |state: &mut LinkState| state.pty.is_some() && state.lines < wanted;
        drop(self.changed.wait_timeout_while(state, LONGEST, silent).unwrap_or_else(PoisonError::into_inner));
    }

    /// Prints lines at the device's pace until the work ends.
    fn run(&self, mut device: SimulatedDevice, machine: &SimulatedMachine, period: Duration) {
        let mut switched_on = Instant::now();
        let mut boots = 0;
        let mut due = switched_on + period;
        loop {
            let now = Instant::now();
            let waits = |state: &mut LinkState| state.work == WorkerState::GoesOn && state.boots == boots;
            let waited = self.changed.wait_timeout_while(self.lock(), due.saturating_duration_since(now), waits);
            let (mut state, _) = waited.unwrap_or_else(PoisonError::into_inner);
            if state.work == WorkerState::Ended {
                return;
            }
            if state.boots != boots {
                boots = state.boots;
                switched_on = Instant::now();
                due = switched_on + period;
                if let (Some(pty), Some(header)) = (&mut state.pty, device.header()) {
                    pty.send(header);
                }
                continue;
            }
            if let Some(pty) = &mut state.pty {
                // The device's own timer is exact; what comes late is the line.
                let sent = pty.send(&device.line(machine, due.duration_since(switched_on)));
                state.lines += 1;
                state.dropped += u64::from(sent == SendOutcome::Dropped);
                self.changed.notify_all();
            }
            // A device that was held up goes on from now, it does not catch up.
            due = (due + period).max(Instant::now());
        }
    }

    /// A panic elsewhere leaves the slot whole: each change is a single one.
    fn lock(&self) -> MutexGuard<'_, LinkState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Points a link at a device in one move, so that no reader meets half of it.
fn point(link: &Path, device: &Path) -> io::Result<()> {
    let fresh = link.with_extension("new");
    match fs::remove_file(&fresh) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => std::os::unix::fs::symlink(device, &fresh)?,
    }
    fs::rename(&fresh, link)
}

/// The inside of an instrument.
enum SimulatedDevice {
    Clamps(ClampBoard),
    Handheld(Handheld),
    Supply(Monitor),
}

impl SimulatedDevice {
    fn new(instrument: SimulatedInstrument, noise: Noise) -> Self {
        match instrument {
            SimulatedInstrument::Clamps => Self::Clamps(ClampBoard::new(noise)),
            SimulatedInstrument::Handheld => Self::Handheld(Handheld::new(noise)),
            SimulatedInstrument::Supply => Self::Supply(Monitor::new(noise)),
        }
    }

    fn header(&self) -> Option<&'static str> {
        matches!(self, Self::Clamps(_)).then_some(ClampBoard::HEADER)
    }

    fn line(&mut self, machine: &SimulatedMachine, since_boot: Duration) -> String {
        match self {
            Self::Clamps(board) => {
                let (amps, lever_v) = machine.scan(since_boot);
                board.line(since_boot.as_millis(), amps, lever_v)
            }
            Self::Handheld(meter) => meter.line(machine.probe_input()),
            Self::Supply(monitor) => {
                let (supply_v, ground_v) = machine.supply_and_ground_v();
                monitor.line(supply_v, ground_v, machine.operator().speed_kmh)
            }
        }
    }
}

#[cfg(test)]
mod tests;
