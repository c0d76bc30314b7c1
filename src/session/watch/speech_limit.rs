//! How often the same kind of thing is said aloud: a limit that flutters must not talk without end.

use crate::clock::Mono;

/// Lets one sentence through, then none for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SpeechLimit {
    quiet_us: i64,
    last: Option<Mono>,
}

impl SpeechLimit {
    /// At most one sentence in `quiet_us`.
    pub(super) fn new(quiet_us: i64) -> Self {
        Self { quiet_us, last: None }
    }

    /// Whether something may be said now.
    pub(super) fn is_open(&self, now: Mono) -> bool {
        self.last.is_none_or(|last| now.since(last) >= self.quiet_us)
    }

    /// Whether something may be said now; if so, it counts as said.
    pub(super) fn pass(&mut self, now: Mono) -> bool {
        let is_open = self.is_open(now);
        if is_open {
            self.last = Some(now);
        }
        is_open
    }
}
