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

impl Wall {
    /// The time of day in this computer's time zone, to be read by a person: `14:03:07`.
    pub fn time_of_day(self) -> String {
        jiff::Timestamp::from_microsecond(self.0).map_or_else(
            |_| String::new(),
            |time| time.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M:%S").to_string(),
        )
    }
}

/// A duration in microseconds; the longest that fits where it is longer.
pub fn micros(duration: Duration) -> i64 {
    i64::try_from(duration.as_micros()).unwrap_or(i64::MAX)
}

/// Microseconds since the computer was switched on, by a clock that goes on while it sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct BootTime(pub i64);

impl BootTime {
    /// Microseconds from `earlier` to here.
    pub fn since(self, earlier: Self) -> i64 {
        self.0 - earlier.0
    }
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

    /// The time since the computer was switched on; none where the system does not tell it.
    pub fn boot() -> Option<BootTime> {
        #[cfg(target_os = "linux")]
        return nix::time::clock_gettime(nix::time::ClockId::CLOCK_BOOTTIME)
            .ok()
            .map(|time| BootTime(micros(Duration::from(time))));
        #[cfg(not(target_os = "linux"))]
        return None;
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
