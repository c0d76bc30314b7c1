//! A board that sends a hundred lines a second, with its own time in front: how fast this computer is moves no sample.

use std::{
    cell::Cell,
    thread,
    time::{Duration, Instant},
};

use super::{Daemon, Meter, now};

/// From line to line, ms.
const PERIOD_MS: u64 = 10;

/// Where the bench says `columns-ms`. A line that goes out late has the time at which it was due, as one that waited in a queue.
pub(crate) struct Board {
    meter: Meter,
    channels: u64,
    switched_on: Instant,
    /// Of the next line, ms since it was switched on.
    due_ms: Cell<u64>,
    sent: Cell<u64>,
}

impl Board {
    /// A board of so many channels that is plugged in.
    pub(crate) fn of(meter: Meter, channels: u64) -> Self {
        Self { meter, channels, switched_on: now(), due_ms: Cell::new(0), sent: Cell::new(0) }
    }

    /// So many lines of these columns.
    pub(crate) fn sends(&self, columns: &str, count: usize) {
        let since = || u64::try_from(self.switched_on.elapsed().as_millis()).unwrap();
        // It was silent meanwhile.
        let mut due_ms = self.due_ms.get().max(since());
        for _ in 0..count {
            thread::sleep(Duration::from_millis(due_ms.saturating_sub(since())));
            self.meter.line(&format!("{due_ms},{columns}"));
            due_ms += PERIOD_MS;
        }
        self.due_ms.set(due_ms);
        self.sent.set(self.sent.get() + count as u64);
    }

    /// Waits until the daemon has handled all that was sent in this session.
    pub(crate) fn until_read(&self, daemon: &mut Daemon) {
        daemon.until_samples(self.sent.get() * self.channels);
    }
}
