//! Two times that must not be swapped, and the one place that reads a clock.
//!
//! Everything is stamped with [`Mono`]; [`Wall`] serves only to tell a person when it was.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Microseconds since the daemon (or a replay) started, by a clock that nobody sets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Hash)]
pub struct Mono(pub i64);

impl Mono {
    /// Microseconds from `earlier` to here; negative where it is later.
    pub fn since(self, earlier: Self) -> i64 {
        self.0 - earlier.0
    }

    /// The time a while after this one.
    pub fn plus(self, duration: Duration) -> Self {
        Self(self.0 + micros(duration))
    }
}

/// Microseconds since 1970-01-01T00:00:00Z, by the computer's clock, which may be set at any time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Wall(pub i64);

/// A duration in microseconds; the longest that fits where it is longer.
pub fn micros(duration: Duration) -> i64 {
    i64::try_from(duration.as_micros()).unwrap_or(i64::MAX)
}

/// Reads the clocks. Lives in the daemon and its port readers; the core only ever sees stamps.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    start: Instant,
}

impl Clock {
    /// A clock that begins now.
    #[allow(clippy::disallowed_methods, reason = "the one place that reads the clocks")]
    pub fn start() -> Self {
        Self { start: Instant::now() }
    }

    /// Time since the start.
    #[allow(clippy::disallowed_methods, reason = "the one place that reads the clocks")]
    pub fn mono(&self) -> Mono {
        Mono(micros(Instant::now().saturating_duration_since(self.start)))
    }

    /// What the computer's clock says.
    #[allow(clippy::disallowed_methods, reason = "the one place that reads the clocks")]
    pub fn wall() -> Wall {
        Wall(match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => micros(since),
            Err(before) => -micros(before.duration()),
        })
    }
}
