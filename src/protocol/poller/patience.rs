//! How long a meter has for an answer, and when it is asked no more.
//!
//! A slow meter gets more time once it was late, and after each time-out, so that an answer that takes longer than time-out and
//! silence together is not taken for the next one for ever.

use std::time::Duration;

use super::super::poll::RequestNeed;

/// A request that a meter may not know is asked this often before it is left alone.
const TRIES: u32 = 2;

/// After time-outs a meter gets at most this many times what the file gives it; one that is switched off must be found again soon.
const MOST_AFTER_TIMEOUTS: u32 = 4;

/// A late meter gets this many times what it took.
const AFTER_LATE: u32 = 2;

/// No meter gets more time than this.
const LONGEST: Duration = Duration::from_secs(120);

/// The time that one request has, and how it was answered so far.
#[derive(Debug, Clone)]
pub(super) struct Patience {
    need: RequestNeed,
    /// As the file has it, or what a late answer showed.
    usual: Duration,
    now: Duration,
    unanswered: u32,
    state: RequestState,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum RequestState {
    NeverAnswered,
    Answered,
    /// The meter does not know it.
    GivenUp,
}

impl Patience {
    pub(super) fn new(timeout: Duration, need: RequestNeed) -> Self {
        Self { need, usual: timeout, now: timeout, unanswered: 0, state: RequestState::NeverAnswered }
    }

    /// How long to wait for the next answer.
    pub(super) fn timeout(&self) -> Duration {
        self.now
    }

    pub(super) fn is_given_up(&self) -> bool {
        self.state == RequestState::GivenUp
    }

    /// An answer came in time.
    pub(super) fn answered(&mut self) {
        self.unanswered = 0;
        self.now = self.usual;
        self.state = RequestState::Answered;
    }

    /// None came. Returns whether the request is given up by this.
    pub(super) fn unanswered(&mut self) -> bool {
        self.unanswered += 1;
        self.now = (self.now * 2).min(self.usual * MOST_AFTER_TIMEOUTS);
        self.unanswered >= TRIES && self.give_up()
    }

    /// The meter says that it does not know the request. Returns whether it is given up by this: one that may be unknown and was
    /// never answered.
    pub(super) fn give_up(&mut self) -> bool {
        let gives_up = self.need == RequestNeed::Optional && self.state == RequestState::NeverAnswered;
        if gives_up {
            self.state = RequestState::GivenUp;
        }
        gives_up
    }

    /// An answer came after this time, too late. Returns how long it has from now on.
    pub(super) fn was_late(&mut self, took: Duration) -> Duration {
        self.answered();
        self.usual = self.usual.max(took * AFTER_LATE).min(LONGEST);
        self.now = self.usual;
        self.usual
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn a_slow_meter_gets_more_time() {
        let mut patience = Patience::new(3 * SECOND, RequestNeed::Required);
        let after: Vec<_> = (0..4).map(|_| (patience.unanswered(), patience.timeout() / 1000 * 1000)).collect();
        assert_eq!(after.iter().map(|(_, timeout)| timeout.as_secs()).collect::<Vec<_>>(), [6, 12, 12, 12]);
        assert!(after.iter().all(|(gives_up, _)| !gives_up));
        patience.answered();
        assert_eq!(patience.timeout(), 3 * SECOND);
        assert_eq!(patience.was_late(4 * SECOND), 8 * SECOND);
        assert_eq!(patience.was_late(1000 * SECOND), LONGEST);
    }

    #[test]
    fn only_what_a_meter_may_not_know_and_never_answered_is_given_up() {
        let mut patience = Patience::new(SECOND, RequestNeed::Optional);
        assert!(!patience.unanswered() && patience.unanswered() && patience.is_given_up());
        assert!(!patience.unanswered(), "it is told once");
        let mut patience = Patience::new(SECOND, RequestNeed::Optional);
        patience.answered();
        assert!(!patience.unanswered() && !patience.unanswered() && !patience.give_up());
    }
}
