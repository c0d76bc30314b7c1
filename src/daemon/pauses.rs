//! Times in which the program did not run: the computer slept, or the process was stopped. No meter is to blame for them.

use std::{fmt, time::Duration};

use crate::clock::{BootTime, Mono, Wall};

/// The loop wakes twice a second. A gap as long as this is none of its own work.
const NOT_RUNNING: Duration = Duration::from_secs(2);

/// A time in which the program did not run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pause {
    /// The computer slept: its lid was closed.
    Slept(Duration),
    /// The process was stopped, or got no time on the processor.
    Stopped(Duration),
}

impl fmt::Display for Pause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Slept(time) => {
                write!(f, "the computer slept for {} s; nothing was read meanwhile", time.as_secs())
            }
            Self::Stopped(time) => write!(
                f,
                "bayline did not run for {} s, it was stopped or the computer was too busy; bytes may be lost",
                time.as_secs()
            ),
        }
    }
}

/// Notices pauses by two clocks: the monotonic one stands still while the computer sleeps, the other one goes on.
#[derive(Debug)]
pub(super) struct PauseWatch {
    mono: Mono,
    boot: Option<BootTime>,
}

impl PauseWatch {
    /// Begins at these times; `boot` is none where the system has no such clock.
    pub(super) fn new(mono: Mono, boot: Option<BootTime>) -> Self {
        Self { mono, boot }
    }

    /// When the clocks were compared last. Whatever the loop has handled since then came after the pause that is noticed next.
    pub(super) fn last_check(&self) -> Mono {
        self.mono
    }

    /// Compares the clocks, at least as often as the loop wakes. Returns the pause since the last time.
    pub(super) fn check(&mut self, mono: Mono, boot: Option<BootTime>) -> Option<Pause> {
        let ran = mono.since(self.mono);
        let slept = self.boot.zip(boot).map_or(0, |(before, now)| now.since(before) - ran);
        *self = Self { mono, boot };
        let long = |us: i64| Some(Duration::from_micros(us.max(0).unsigned_abs())).filter(|time| *time >= NOT_RUNNING);
        long(slept).map(Pause::Slept).or_else(|| long(ran).map(Pause::Stopped))
    }
}

/// The anchor of all that came after a pause: what the wall clock, which shows `wall` at `now`, would have shown at `looked`, the last
/// time before the pause, had it gone on from there as it did after it. So a reading that arrived before the pause was noticed has the
/// time after it.
pub(super) fn anchor_behind(looked: Mono, now: Mono, wall: Wall) -> (Mono, Wall) {
    let first = Mono(looked.0 + 1);
    (first, Wall(wall.0 - now.since(first)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_while_a_pause_was_unnoticed_is_dated_behind_it() {
        let s = 1_000_000;
        // Looked at 20 s, 1020 s by the wall clock; the lid was closed for 600 s; noticed at 20.5 s.
        let (at, wall) = anchor_behind(Mono(20 * s), Mono(20 * s + s / 2), Wall(1620 * s + s / 2));
        assert_eq!((at, wall), (Mono(20 * s + 1), Wall(1620 * s + 1)));
    }

    #[test]
    fn a_closed_lid_and_a_stopped_process_are_told_apart() {
        let s = |seconds: f64| (seconds * 1e6) as i64;
        let mut watch = PauseWatch::new(Mono(0), Some(BootTime(s(1000.0))));
        let mut look = |mono: f64, boot: f64| watch.check(Mono(s(mono)), Some(BootTime(s(boot))));
        assert_eq!(look(0.5, 1000.5), None);
        // The lid was closed for ten minutes.
        assert_eq!(look(1.0, 1601.0), Some(Pause::Slept(Duration::from_secs_f64(600.0))));
        assert_eq!(look(1.5, 1601.5), None);
        // SIGSTOP for half a minute.
        assert_eq!(look(31.5, 1631.5), Some(Pause::Stopped(Duration::from_secs(30))));
        assert_eq!(look(33.0, 1633.0), None, "a slow moment");
        // A system without the other clock.
        let mut watch = PauseWatch::new(Mono(0), None);
        assert_eq!(watch.check(Mono(s(3.0)), None), Some(Pause::Stopped(Duration::from_secs(3))));
    }
}
