//! The reader threads: each decodes what its port brings and hands it to the loop.

use std::{
    io,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicU64, Ordering},
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

/// Waiting for the loop longer than this may have cost bytes on a serial line: it is told.
const BLOCKED_TOO_LONG: Duration = Duration::from_millis(200);

/// A request that the line does not take in this time means that the port is gone.
const WRITE: Duration = Duration::from_millis(500);

/// What a port tells the loop.
#[derive(Debug)]
pub(super) struct PortEvent {
    pub meter: MeterId,
    pub at: Mono,
    pub what: PortEventKind,
}

#[derive(Debug)]
pub(super) enum PortEventKind {
    /// Channels that the bench file names.
    Channels(Vec<(ChannelId, Channel)>),
    Opened,
    Lost(String),
    Batch(Batch),
    /// The loop was busy for so long, and bytes may have been lost meanwhile.
    Blocked(Duration),
    /// Something odd about the bytes that came, before anyone decoded them.
    Odd(String),
}

/// Frames decoded and refused, for the status; and what the loop lets a reader know.
#[derive(Debug, Default)]
pub(super) struct PortStats {
    pub frames: AtomicU64,
    pub refused: AtomicU64,
    /// Frames that sequence numbers say are missing.
    pub lost: AtomicU64,
    /// Requests that a polled meter did not answer in time.
    pub unanswered: AtomicU64,
    /// How well the device's clock fits; none for a device without one.
    pub clock: Mutex<Option<ClockFit>>,
    /// Sessions that began, counted by the loop: what was told in one is news in the next.
    pub sessions: AtomicU64,
}

impl PortStats {
    /// Frames refused, and frames lost.
    pub(super) fn refused_and_lost(&self) -> [u64; 2] {
        [self.refused.load(Ordering::Relaxed), self.lost.load(Ordering::Relaxed)]
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
        clock: Clock,
        to_loop: &mpsc::Sender<PortEvent>,
        port_stats: &[Arc<PortStats>],
    ) -> Result<Self, DaemonError> {
        let ports = Self { stop: Stop::default() };
        let ids = ChannelIds::default();
        for ((index, spec), stats) in bench.meters.iter().enumerate().zip(port_stats) {
            let id = MeterId(u16::try_from(index).unwrap_or(u16::MAX));
            let (meter, channels) = Meter::new(id, spec, &ids);
            let mut reader = PortReader {
                id,
                meter,
                clock,
                opened: clock.mono(),
                protocol: spec.protocol.clone(),
                poller: None,
                unanswered: 0,
                to_loop: to_loop.clone(),
                batch: Batch::default(),
                stats: stats.clone(),
                sessions: stats.sessions.load(Ordering::Relaxed),
            };
            let (address, settings, stop) = (spec.address.clone(), spec.settings.clone(), ports.stop.clone());
            thread::Builder::new()
                .name(format!("port {}", spec.name))
                .spawn(move || {
                    if reader.send(PortEventKind::Channels(channels)) {
                        port::read_until_stopped(&address, &settings, &stop, &mut reader);
                    }
                })
                .map_err(|source| DaemonError::Thread { meter: spec.name.clone(), source })?;
        }
        Ok(ports)
    }

    /// The readers end within one read's patience; the loop sees their channel close.
    pub(super) fn stop(&self) {
        self.stop.stop();
    }
}

struct PortReader {
    id: MeterId,
    meter: Meter,
    clock: Clock,
    /// When the port was opened: a replayed capture begins then.
    opened: Mono,
    protocol: Arc<Protocol>,
    /// Asks a meter that speaks only when asked; none for the others and while the port is closed.
    poller: Option<Poller>,
    to_loop: mpsc::Sender<PortEvent>,
    batch: Batch,
    stats: Arc<PortStats>,
    /// Requests unanswered before the port was opened this time.
    unanswered: u64,
    /// How many sessions had begun when it was looked last.
    sessions: u64,
}

impl PortReader {
    /// False when the loop is gone.
    fn send(&mut self, what: PortEventKind) -> bool {
        self.send_at(self.clock.mono(), what)
    }

    fn send_at(&mut self, at: Mono, what: PortEventKind) -> bool {
        let event = PortEvent { meter: self.id, at, what };
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
                    what: PortEventKind::Blocked(Duration::from_micros(waited.unsigned_abs())),
                };
                waited < micros(BLOCKED_TOO_LONG) || self.to_loop.blocking_send(blocked).is_ok()
            }
        }
    }

    fn heard_at(&mut self, arrived: Mono, bytes: &[u8]) -> bool {
        if let Some(poller) = &mut self.poller {
            self.meter.set_request(poller.request());
            poller.received(bytes);
        }
        let sessions = self.stats.sessions.load(Ordering::Relaxed);
        if sessions != self.sessions {
            self.sessions = sessions;
            self.meter.reset_reported();
        }
        self.meter.take(bytes, arrived, &mut self.batch);
        self.send_batch(arrived)
    }

    fn gone(&mut self, why: String) -> bool {
        let at = self.clock.mono();
        self.meter.lost(at, &mut self.batch);
        self.send_batch(at) && self.send(PortEventKind::Lost(why))
    }

    fn send_batch(&mut self, at: Mono) -> bool {
        let counts = self.meter.counts();
        self.stats.frames.store(counts.frames, Ordering::Relaxed);
        self.stats.refused.store(counts.all_problems(), Ordering::Relaxed);
        self.stats.lost.store(counts.lost, Ordering::Relaxed);
        *self.stats.clock.lock().unwrap_or_else(PoisonError::into_inner) = self.meter.clock_fit();
        if self.batch.samples.is_empty() && self.batch.events.is_empty() {
            return true;
        }
        let batch = std::mem::take(&mut self.batch);
        self.send_at(at, PortEventKind::Batch(batch))
    }
}

impl port::Listener for PortReader {
    fn opened(&mut self) -> bool {
        self.opened = self.clock.mono();
        self.unanswered = self.stats.unanswered.load(Ordering::Relaxed);
        self.poller = Poller::new(&self.protocol, self.opened);
        self.send_at(self.opened, PortEventKind::Opened)
    }

    fn before_read(&mut self, port: &mut dyn Port) -> io::Result<Duration> {
        let Some(poller) = &mut self.poller else { return Ok(port::PATIENCE) };
        loop {
            let now = self.clock.mono();
            match poller.next_action(now) {
                PollAction::Send(bytes) => port.write_all(bytes, WRITE)?,
                PollAction::Wait(until) => {
                    self.stats.unanswered.store(self.unanswered + poller.timeouts(), Ordering::Relaxed);
                    return Ok(Duration::from_micros(until.since(now).max(0).unsigned_abs()).min(port::PATIENCE));
                }
            }
        }
    }

    fn heard(&mut self, bytes: &[u8]) -> bool {
        self.heard_at(self.clock.mono(), bytes)
    }

    fn replayed(&mut self, bytes: &[u8], after: Duration) -> bool {
        // At its own pace the times are those of the recording to the microsecond; a faster replay
        // would lie in the future.
        self.heard_at(self.opened.plus(after).min(self.clock.mono()), bytes)
    }

    fn odd(&mut self, text: String) -> bool {
        self.send(PortEventKind::Odd(text))
    }

    fn lost(&mut self, why: &io::Error) -> bool {
        self.gone(why.to_string())
    }

    fn ended(&mut self) {
        // The loop may be gone too, and there is nothing left to stop.
        self.gone("its recording is over".to_owned());
    }
}
