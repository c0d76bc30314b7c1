//! How long a coil may stay switched on, counted over all steps, with a countdown.

use std::time::Duration;

use crate::clock::{Mono, micros};

/// Seconds before the end from which each is counted.
const COUNTED: i64 = 5;

/// A coil cools as long as this many times what it was on: common practice, no source.
const COOLING: i64 = 3;

/// How long a coil was on, less what it has cooled since.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CoilHold {
    /// What counts of the time that it was on, at `at`, µs.
    used: i64,
    at: Mono,
    is_on: bool,
}

impl Default for CoilHold {
    fn default() -> Self {
        Self { used: 0, at: Mono(i64::MIN / 2), is_on: false }
    }
}

impl CoilHold {
    /// What counts of the time that it was on, µs.
    pub(crate) fn used(&self, now: Mono) -> i64 {
        let since = now.since(self.at).max(0);
        if self.is_on { self.used + since } else { (self.used - since / COOLING).max(0) }
    }

    fn switch(&mut self, is_on: bool, at: Mono) {
        if is_on != self.is_on {
            let at = at.max(self.at);
            *self = Self { used: self.used(at), at, is_on };
        }
    }

    /// The same switched off: the step that watched it ends.
    #[must_use]
    pub(crate) fn left(mut self, now: Mono) -> Self {
        self.switch(false, now);
        self
    }

    /// What to say of a coil that is warm as a step begins that holds it on for `at_most`; none for a cool one.
    pub(crate) fn warning(&self, circuit: &str, at_most: Duration, now: Mono) -> Option<String> {
        let (used, at_most) = (self.used(now), micros(at_most));
        let left = (at_most - used).max(0);
        // Less than a second makes no coil warm.
        if used < 1_000_000 {
            return None;
        }
        let seconds = |us: i64| (us + 500_000) / 1_000_000;
        let cooling = seconds(used * COOLING);
        Some(match seconds(left) {
            0 => format!(
                "{circuit} is still warm from being held on: let it cool for {cooling} s before you hold it again"
            ),
            left => format!(
                "{circuit} is still warm from being held on: hold it for {left} s at most now, or let it cool for {cooling} s"
            ),
        })
    }

    /// What to say of a coil that is warm as its ohms are measured; none for a cool one.
    pub(crate) fn ohms_warning(&self, circuit: &str, now: Mono) -> Option<String> {
        (self.used(now) >= 1_000_000)
            .then(|| format!("{circuit} is still warm from being held on: its ohms read high until it has cooled"))
    }
}

/// Watches a coil during one step, and the step's time limit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct HoldTimer {
    /// The longest, µs; none where the coil is only watched.
    at_most: Option<i64>,
    coil: CoilHold,
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
    /// A limit, and what the coil was on before.
    pub(crate) fn new(at_most: Option<Duration>, coil: CoilHold) -> Self {
        Self { at_most: at_most.map(micros), coil, counted: COUNTED + 1 }
    }

    /// Sets since when it is on; none while it is off.
    pub(crate) fn on(&mut self, since: Option<Mono>, now: Mono) {
        match since {
            Some(since) => self.coil.switch(true, since),
            None => {
                self.counted = COUNTED + 1;
                self.coil.switch(false, now);
            }
        }
    }

    /// The event at this time, if any; each number once.
    pub(crate) fn count(&mut self, now: Mono) -> Option<HoldEvent> {
        let left = self.at_most.filter(|_| self.coil.is_on)? - self.coil.used(now);
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

    /// What is known of the coil, for the next step.
    pub(crate) fn coil(&self) -> CoilHold {
        self.coil
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000;

    fn timer(seconds: u64, coil: CoilHold) -> HoldTimer {
        HoldTimer::new(Some(Duration::from_secs(seconds)), coil)
    }

    #[test]
    fn the_last_seconds_are_counted_once_each() {
        let mut hold = timer(3, CoilHold::default());
        assert_eq!(hold.count(Mono(0)), None);
        hold.on(Some(Mono(S)), Mono(S));
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
    fn letting_go_restarts_once_it_has_cooled() {
        let mut hold = timer(2, CoilHold::default());
        hold.on(Some(Mono(0)), Mono(0));
        assert_eq!(hold.count(Mono(1_500_000)), Some(HoldEvent::Remaining(1)));
        hold.on(None, Mono(1_500_000));
        assert_eq!(hold.count(Mono(9 * S)), None);
        hold.on(Some(Mono(10 * S)), Mono(10 * S));
        assert_eq!(hold.count(Mono(10_500_000)), Some(HoldEvent::Remaining(2)));
    }

    #[test]
    fn short_pauses_do_not_start_it_anew() {
        let mut hold = timer(20, CoilHold::default());
        let mut expired = None;
        // On for four seconds of every five: each pause of a second takes a third of a second off.
        for at in 0..60 {
            let is_on = at % 5 != 4;
            hold.on(is_on.then_some(Mono(at * S)), Mono(at * S));
            if hold.count(Mono(at * S)) == Some(HoldEvent::Expired) {
                expired.get_or_insert(at);
            }
        }
        // Each round leaves 4 - 1/3 s: after five rounds, at 25 s, it has 18.3 s, and 1.7 s later they are used up.
        assert_eq!(expired, Some(27));
    }

    #[test]
    fn the_next_step_knows_what_the_last_one_held() {
        let mut first = timer(20, CoilHold::default());
        first.on(Some(Mono(0)), Mono(0));
        let coil = first.coil().left(Mono(15 * S));
        let words = coil.warning("lift coil", Duration::from_secs(20), Mono(18 * S)).unwrap();
        assert_eq!(
            words,
            "lift coil is still warm from being held on: hold it for 6 s at most now, or let it cool for 42 s"
        );
        assert!(coil.ohms_warning("lift coil", Mono(18 * S)).is_some());
        assert_eq!(coil.warning("lift coil", Duration::from_secs(20), Mono(80 * S)), None);
        assert!(
            coil.warning("lift coil", Duration::from_secs(10), Mono(18 * S))
                .unwrap()
                .contains("let it cool for 42 s before")
        );
        // 14 s count at 18 s: 6 s remain, and the countdown begins after one.
        let mut second = timer(20, coil);
        second.on(Some(Mono(18 * S)), Mono(18 * S));
        assert_eq!(second.count(Mono(18_900_000)), None);
        assert_eq!(second.count(Mono(19_100_000)), Some(HoldEvent::Remaining(5)));
        assert_eq!(second.count(Mono(24_100_000)), Some(HoldEvent::Expired));
    }
}
