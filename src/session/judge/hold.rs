//! How long something may stay switched on, with a countdown.

use std::time::Duration;

use crate::clock::{Mono, micros};

/// Seconds before the end from which each is counted.
const COUNTED: i64 = 5;

/// Watches one step's time limit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct HoldTimer {
    /// The longest, µs.
    at_most: i64,
    /// Since when it is on.
    since: Option<Mono>,
    /// The number that was announced last.
    counted: i64,
}

/// An event of the countdown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum HoldEvent {
    /// Seconds that remain.
    Remaining(i64),
    /// It must be switched off now.
    Expired,
}

impl HoldTimer {
    /// A limit.
    pub(crate) fn new(at_most: Duration) -> Self {
        Self { at_most: micros(at_most), since: None, counted: COUNTED + 1 }
    }

    /// Sets since when it is on; none while it is off.
    pub(crate) fn on(&mut self, since: Option<Mono>) {
        if since.is_none() {
            self.counted = COUNTED + 1;
        }
        self.since = since;
    }

    /// The event at this time, if any; each number once.
    pub(crate) fn count(&mut self, now: Mono) -> Option<HoldEvent> {
        let left = self.at_most - now.since(self.since?);
        if left <= 0 {
            // Sent once, like the numbers before it.
            return (std::mem::replace(&mut self.counted, 0) > 0).then_some(HoldEvent::Expired);
        }
        // Rounded up: "3" is announced when three seconds remain.
        let seconds = (left + 999_999) / 1_000_000;
        if seconds <= COUNTED && seconds < self.counted {
            self.counted = seconds;
            return Some(HoldEvent::Remaining(seconds));
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_seconds_are_counted_once_each() {
        let mut hold = HoldTimer::new(Duration::from_secs(3));
        assert_eq!(hold.count(Mono(0)), None);
        hold.on(Some(Mono(1_000_000)));
        let mut said = Vec::new();
        for at in 10..60 {
            said.extend(hold.count(Mono(at * 100_000)));
        }
        assert_eq!(
            said,
            [HoldEvent::Remaining(3), HoldEvent::Remaining(2), HoldEvent::Remaining(1), HoldEvent::Expired]
        );
    }

    #[test]
    fn letting_go_restarts() {
        let mut hold = HoldTimer::new(Duration::from_secs(2));
        hold.on(Some(Mono(0)));
        assert_eq!(hold.count(Mono(1_500_000)), Some(HoldEvent::Remaining(1)));
        hold.on(None);
        assert_eq!(hold.count(Mono(9_000_000)), None);
        hold.on(Some(Mono(10_000_000)));
        assert_eq!(hold.count(Mono(10_500_000)), Some(HoldEvent::Remaining(2)));
    }
}
