//! The port threads: each reads, decodes and binds to channels what its port receives, and sends it to the loop.

use std::{
    io,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Arc,
        mpsc::{Receiver, SyncSender, sync_channel},
    },
    thread,
    time::Duration,
};

use tokio::sync::mpsc;

use super::DaemonError;
use crate::{
    channel::{Batch, Bench, Channel, ChannelId, ChannelIds, ClockFit, Meter, MeterId},
    clock::{Clock, Mono, micros},
    port::{self, Port, Stop},
    protocol::{PollAction, Poller, Protocol},
};

/// A serial line may lose bytes when its thread waits longer than this for the loop: reported as an event.
const BLOCKED_TOO_LONG: Duration = Duration::from_millis(200);

/// A request that can't be written in this time means that the port is gone.
const WRITE: Duration = Duration::from_millis(500);

/// Commands on the way to a port's thread. One is enough: a second reset adds nothing to one that is still waiting,
/// so it is dropped when the queue is full.
const PORT_COMMAND_QUEUE: usize = 1;

/// What a port's thread sends to the loop.
#[derive(Debug)]
pub(super) struct PortEvent {
    pub meter: MeterId,
    pub at: Mono,
    /// The port's counters after this event.
    pub stats: PortStats,
    pub kind: PortEventKind,
}

#[derive(Debug)]
pub(super) enum PortEventKind {
    /// Channels that the bench file names.
    Channels(Vec<(ChannelId, Channel)>),
    Opened,
    Lost(String),
    Batch(Batch),
    /// The loop was busy for this long, and bytes may have been lost meanwhile.
    Blocked(Duration),
    /// Something unusual about the received bytes, before they are decoded.
    Odd(String),
    /// Only the counters changed.
    Stats,
}

/// What the loop sends to a port's thread.
#[derive(Debug, Clone, Copy)]
pub(super) enum PortCommand {
    /// A session began: problems and identities that were reported before are reported again.
    ResetReported,
}

/// Counters of one port since the daemon started.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct PortStats {
    /// Whether bytes came, as their number when this was first seen.
    pub bytes: u64,
    /// Frames decoded.
    pub frames: u64,
    /// Frames that could not be decoded.
    pub refused: u64,
    /// Frames that are missing according to their sequence numbers.
    pub lost: u64,
    /// Requests that a polled meter did not answer in time.
    pub unanswered: u64,
    /// How well the device's clock fits; none for a device without one.
    pub clock: Option<ClockFit>,
}

/// The loop's ends of the command queues, one for each port.
#[derive(Debug)]
pub(super) struct PortCommands(Vec<SyncSender<PortCommand>>);

impl PortCommands {
    /// Queues for this many ports, and their other ends.
    pub(super) fn new(ports: usize) -> (Self, Vec<Receiver<PortCommand>>) {
        let (senders, receivers) = (0..ports).map(|_| sync_channel(PORT_COMMAND_QUEUE)).unzip();
        (Self(senders), receivers)
    }

    /// Sends a command to every port; never waits.
    pub(super) fn send_all(&self, command: PortCommand) {
        for port in &self.0 {
            // Full: see the queue's length. Closed: the port's recording is over.
            _ = port.try_send(command);
        }
    }
}

/// The running reader threads.
#[derive(Debug)]
pub(super) struct Ports {
    stop: Stop,
}

impl Ports {
    pub(super) fn start(
        bench: &Bench,
        ids: &ChannelIds,
        clock: Clock,
        to_loop: &mpsc::Sender<PortEvent>,
        commands: Vec<Receiver<PortCommand>>,
    ) -> Result<Self, DaemonError> {
        let ports = Self { stop: Stop::default() };
        for ((index, spec), commands) in bench.meters.iter().enumerate().zip(commands) {
            let id = MeterId(u16::try_from(index).unwrap_or(u16::MAX));
            let (meter, channels) = Meter::new(id, spec, ids);
            let mut reader = PortReader {
                id,
                meter,
                clock,
                opened: clock.mono(),
                protocol: spec.protocol.clone(),
                poller: None,
                unanswered_before: 0,
                to_loop: to_loop.clone(),
                commands,
                batch: Batch::default(),
                stats: PortStats::default(),
            };
            let (address, settings, stop) = (spec.address.clone(), spec.settings.clone(), ports.stop.clone());
            thread::Builder::new()
                .name(format!("port {}", spec.name))
                .spawn(move || {
                    if reader.send(PortEventKind::Channels(channels)) {
                        restarted_after_panics(&stop, &mut reader, PortReader::failed, |reader| {
                            port::read_until_stopped(&address, &settings, &stop, reader);
                        });
                    }
                })
                .map_err(|source| DaemonError::Thread { meter: spec.name.clone(), source })?;
        }
        Ok(ports)
    }

    /// Ends the threads within the wait of one read; the loop then sees their queue closed.
    pub(super) fn stop(&self) {
        self.stop.stop();
    }
}

/// How long a reader that failed rests before it is started again.
const AFTER_PANIC: Duration = Duration::from_secs(1);

/// Does the work until it ends by itself. Where it panics, `failed` reports that, and it is begun again; false from
/// `failed` ends it.
fn restarted_after_panics<T>(stop: &Stop, state: &mut T, failed: impl Fn(&mut T) -> bool, work: impl Fn(&mut T)) {
    // What a panic leaves of the state is safe to use, and at worst a frame too short: the next one is cut anew.
    while catch_unwind(AssertUnwindSafe(|| work(state))).is_err() {
        let goes_on = catch_unwind(AssertUnwindSafe(|| failed(state))).unwrap_or(true);
        if !goes_on || stop.stopped() {
            return;
        }
        stop.wait(AFTER_PANIC);
    }
}

struct PortReader {
    id: MeterId,
    meter: Meter,
    clock: Clock,
    /// When the port was opened: the time at which a replayed capture begins.
    opened: Mono,
    protocol: Arc<Protocol>,
    /// Sends requests to a polled meter; none for other meters and while the port is closed.
    poller: Option<Poller>,
    to_loop: mpsc::Sender<PortEvent>,
    commands: Receiver<PortCommand>,
    batch: Batch,
    stats: PortStats,
    /// Requests unanswered before the port was opened this time.
    unanswered_before: u64,
}

impl PortReader {
    /// False when the loop is gone.
    fn send(&mut self, kind: PortEventKind) -> bool {
        self.send_at(self.clock.mono(), kind)
    }

    fn send_at(&mut self, at: Mono, kind: PortEventKind) -> bool {
        let event = PortEvent { meter: self.id, at, stats: self.stats, kind };
        match self.to_loop.try_send(event) {
            Ok(()) => true,
            Err(mpsc::error::TrySendError::Closed(_)) => false,
            Err(mpsc::error::TrySendError::Full(event)) => {
                let began = self.clock.mono();
                if self.to_loop.blocking_send(event).is_err() {
                    return false;
                }
                let waited = self.clock.mono().since(began);
                let blocked = PortEvent {
                    meter: self.id,
                    at: self.clock.mono(),
                    stats: self.stats,
                    kind: PortEventKind::Blocked(Duration::from_micros(waited.unsigned_abs())),
                };
                waited < micros(BLOCKED_TOO_LONG) || self.to_loop.blocking_send(blocked).is_ok()
            }
        }
    }

    fn received_at(&mut self, arrived: Mono, bytes: &[u8]) -> bool {
        if let Some(poller) = &mut self.poller {
            self.meter.set_request(poller.request());
            poller.received(bytes, arrived);
        }
        while let Ok(PortCommand::ResetReported) = self.commands.try_recv() {
            self.meter.reset_reported();
        }
        self.meter.take(bytes, arrived, &mut self.batch);
        self.send_batch(arrived)
    }

    fn port_lost(&mut self, why: String) -> bool {
        let at = self.clock.mono();
        self.meter.lost(at, &mut self.batch);
        self.send_batch(at) && self.send(PortEventKind::Lost(why))
    }

    /// Sends what was decoded, or only the counters where they alone changed.
    fn send_batch(&mut self, at: Mono) -> bool {
        let counts = self.meter.counts();
        let stats = PortStats {
            // Its first bytes are news, not each more: a frame that is never completed must not flood the loop.
            bytes: if self.stats.bytes > 0 { self.stats.bytes } else { counts.bytes },
            frames: counts.frames,
            refused: counts.all_problems(),
            lost: counts.lost,
            clock: self.meter.clock_fit(),
            ..self.stats
        };
        let changed = std::mem::replace(&mut self.stats, stats) != stats;
        if self.batch.samples.is_empty() && self.batch.events.is_empty() {
            return !changed || self.send_at(at, PortEventKind::Stats);
        }
        let batch = std::mem::take(&mut self.batch);
        self.send_at(at, PortEventKind::Batch(batch))
    }

    /// Its thread panicked: what it was decoding is given up.
    fn failed(&mut self) -> bool {
        self.batch = Batch::default();
        let why = "the program that reads it failed unexpectedly and is started again; please report this".to_owned();
        self.send(PortEventKind::Lost(why))
    }

    fn count_unanswered(&mut self, unanswered: u64) -> bool {
        let changed = self.stats.unanswered != unanswered;
        self.stats.unanswered = unanswered;
        !changed || self.send(PortEventKind::Stats)
    }
}

impl port::Listener for PortReader {
    fn opened(&mut self) -> bool {
        self.opened = self.clock.mono();
        self.unanswered_before = self.stats.unanswered;
        self.poller = Poller::new(&self.protocol, self.opened);
        self.send_at(self.opened, PortEventKind::Opened)
    }

    fn before_read(&mut self, port: &mut dyn Port) -> io::Result<Duration> {
        let Some(poller) = &mut self.poller else { return Ok(port::LONGEST_READ_WAIT) };
        loop {
            let now = self.clock.mono();
            match poller.next_action(now) {
                PollAction::Send(bytes) => port.write_all(bytes, WRITE)?,
                PollAction::Wait(until) => {
                    let notice = poller.take_notice();
                    let unanswered = self.unanswered_before + poller.timeouts();
                    if !self.count_unanswered(unanswered)
                        || notice.is_some_and(|notice| !self.send(PortEventKind::Odd(notice)))
                    {
                        return Err(io::ErrorKind::BrokenPipe.into());
                    }
                    return Ok(
                        Duration::from_micros(until.since(now).max(0).unsigned_abs()).min(port::LONGEST_READ_WAIT)
                    );
                }
            }
        }
    }

    fn received(&mut self, bytes: &[u8]) -> bool {
        self.received_at(self.clock.mono(), bytes)
    }

    fn silent(&mut self) {
        self.meter.silent(self.clock.mono());
    }

    fn received_from_capture(&mut self, bytes: &[u8], after: Duration) -> bool {
        // At the recorded speed the times are those of the recording to the microsecond; a faster replay
        // would be in the future.
        let arrived = self.opened.plus(after).min(self.clock.mono());
        self.meter.silent(arrived);
        self.received_at(arrived, bytes)
    }

    fn warning(&mut self, text: String) -> bool {
        self.send(PortEventKind::Odd(text))
    }

    fn lost(&mut self, why: &io::Error) -> bool {
        self.port_lost(why.to_string())
    }

    fn ended(&mut self) {
        // The loop may have ended too; nothing is left to stop.
        self.port_lost("its recording is over".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;

    #[test]
    fn a_reader_that_panics_is_reported_and_started_again() {
        let (runs, reports) = (Cell::new(0), Cell::new(0));
        let work = |stop: &mut Stop| {
            runs.set(runs.get() + 1);
            // So that the test does not wait for the rest in between.
            stop.stop();
            assert!(runs.get() > 1, "the first run fails, as the test wants");
        };
        let failed = |_: &mut Stop| {
            reports.set(reports.get() + 1);
            true
        };
        let mut stop = Stop::default();
        restarted_after_panics(&Stop::default(), &mut stop, failed, work);
        assert_eq!((runs.get(), reports.get()), (2, 1));
        // One that is to stop is not started again.
        runs.set(0);
        restarted_after_panics(&stop.clone(), &mut stop, failed, work);
        assert_eq!((runs.get(), reports.get()), (1, 2));
    }
}
