//! Small timers of the patterns, fed with the times of readings.

use std::time::Duration;

use crate::clock::{Mono, micros};

/// How long something has been so without a break.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Held {
    since: Option<Mono>,
}

impl Held {
    /// One more observation: is it so? Returns whether it has been so for this long.
    pub(super) fn lasts(&mut self, is_so: bool, at: Mono, long: Duration) -> bool {
        if !is_so {
            self.since = None;
            return false;
        }
        at.since(*self.since.get_or_insert(at)) >= micros(long)
    }

    /// Forgets what was.
    pub(super) fn clear(&mut self) {
        self.since = None;
    }
}

/// A reminder that is given after a pause, and again after longer and longer pauses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reminder {
    pause: i64,
    next: Option<Mono>,
}

/// Each pause is so many times the one before.
const GROWTH: i64 = 3;

impl Reminder {
    /// The first pause.
    pub(super) fn after(pause: Duration) -> Self {
        Self { pause: micros(pause), next: None }
    }

    /// Whether it is time; the pause begins with the first call.
    pub(super) fn is_due(&mut self, at: Mono) -> bool {
        let next = *self.next.get_or_insert(Mono(at.0 + self.pause));
        if at < next {
            return false;
        }
        self.pause *= GROWTH;
        self.next = Some(Mono(at.0 + self.pause));
        true
    }

    /// The pause that runs begins anew.
    pub(super) fn postpone(&mut self) {
        self.next = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_breaks_begins_anew() {
        let mut held = Held::default();
        let long = Duration::from_micros(3);
        let seen = [(0, true), (3, true), (4, false), (5, true), (7, true), (8, true)];
        let lasts = seen.map(|(at, is_so)| held.lasts(is_so, Mono(at), long));
        assert_eq!(lasts, [false, true, false, false, false, true]);
    }

    #[test]
    fn pauses_grow() {
        let mut reminder = Reminder::after(Duration::from_micros(4));
        let due: Vec<i64> = (0..80).filter(|at| reminder.is_due(Mono(*at))).collect();
        assert_eq!(due, [4, 16, 52]);
        reminder.postpone();
        assert!(!reminder.is_due(Mono(1000)));
    }
}
