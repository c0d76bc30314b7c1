//! Meters that speak only when asked: what to send, when, and which answer belongs to what.
//!
//! A [`Poller`] reads no clock and does no I/O: who drives it asks for its turn, sends what it
//! says, and hands it the bytes that come.
//!
//! # Example
//! ```text
//! let mut poller = Poller::new(&protocol, now()).expect("it is polled");
//! loop {
//!     match poller.turn(now()) {
//!         Turn::Send(bytes) => write(bytes),
//!         Turn::Wait(until) => {
//!             let bytes = read_until(until);
//!             engine.asked(poller.asked());
//!             poller.received(&bytes);
//!             engine.push(&bytes, &mut Decoded::default());
//!         }
//!     }
//! }
//! ```

use std::{sync::Arc, time::Duration};

use regex::bytes::Regex;

use super::{
    Protocol,
    frame::{Cut, Framer, Verdict},
};
use crate::clock::Mono;

/// A request of a protocol, so that its answer is known for what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked(u16);

impl Asked {
    /// One of the lines that are sent after connecting; what answers it is passed over.
    const OPENING: Self = Self(u16::MAX);
    /// The question for the meter's queue of errors.
    const ERRORS: Self = Self(u16::MAX - 1);
}

/// More requests than this in one file are a mistake.
pub(super) const MOST_REQUESTS: usize = 64;

/// An error queue that never empties is asked no more often than this in a row.
const MOST_ERRORS_IN_A_ROW: u32 = 8;

/// What a protocol says of asking.
#[derive(Debug, Clone)]
pub(super) struct PollRule {
    /// Sent one by one after connecting.
    pub open: Vec<Vec<u8>>,
    /// After each of them, where nothing says that the meter is ready.
    pub pause: Duration,
    /// From the beginning of one round of requests to the next.
    pub every: Duration,
    pub timeout: Duration,
    pub requests: Vec<RequestRule>,
    /// An answer that says that the request failed.
    pub error: Option<Regex>,
    /// What ends an answer and says that the next request may come; a whole frame where it is
    /// not told.
    pub ready: Option<Vec<u8>>,
    pub errors: Option<ErrorsRule>,
}

/// One request.
#[derive(Debug, Clone)]
pub(super) struct RequestRule {
    pub name: String,
    pub send: Vec<u8>,
    /// Sent in every so-manieth round.
    pub rounds: u32,
}

/// The meter's queue of errors.
#[derive(Debug, Clone)]
pub(super) struct ErrorsRule {
    pub send: Vec<u8>,
    /// The answer that says that there is none.
    pub none: Regex,
    /// Asked in every so-manieth round, and when a request failed.
    pub rounds: u32,
}

impl PollRule {
    /// The request of this name; `open` and `errors` stand for what is asked besides.
    pub(super) fn named(&self, name: &str) -> Option<Asked> {
        match name {
            "open" => Some(Asked::OPENING),
            "errors" => self.errors.as_ref().map(|_| Asked::ERRORS),
            _ => self.requests.iter().zip(0..).find(|(request, _)| request.name == name).map(|(_, at)| Asked(at)),
        }
    }

    /// Whether a frame says that something went wrong.
    pub(super) fn is_error(&self, asked: Option<Asked>, frame: &[u8]) -> bool {
        match (&self.errors, asked) {
            (_, Some(Asked::OPENING)) => false,
            (Some(errors), Some(Asked::ERRORS)) => !errors.none.is_match(frame),
            _ => self.error.as_ref().is_some_and(|error| error.is_match(frame)),
        }
    }

    /// Whether an answer is none of the meter's values.
    pub(super) fn is_aside(asked: Option<Asked>) -> bool {
        matches!(asked, Some(Asked::OPENING | Asked::ERRORS))
    }
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turn<'a> {
    /// Send these bytes, and then take the next turn.
    Send(&'a [u8]),
    /// Receive until then, and hand what came to [`Poller::received`].
    Wait(Mono),
}

/// Asks one meter.
#[derive(Debug)]
pub(crate) struct Poller {
    protocol: Arc<Protocol>,
    framer: Framer,
    state: State,
    asked: Option<Asked>,
    /// Lines sent after connecting.
    opened: usize,
    round: u64,
    round_began: Mono,
    /// Requests of this round that had their turn.
    request: usize,
    errors: Errors,
    /// The last round in which the queue of errors was asked.
    errors_round: Option<u64>,
    /// The last bytes that came, which may be the beginning of what says "ready".
    tail: Vec<u8>,
    timeouts: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Something may be sent.
    Free,
    /// Nothing is sent before this time.
    Resting(Mono),
    /// An answer must come before this time.
    Waiting(Mono),
}

/// Whether the queue of errors is to be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Errors {
    Quiet,
    /// Something went wrong; asked so often already.
    Due(u32),
}

impl Poller {
    /// A poller for a port that was opened now; none where the protocol's meters send by themselves.
    pub(crate) fn new(protocol: &Arc<Protocol>, now: Mono) -> Option<Self> {
        protocol.poll.as_ref()?;
        Some(Self {
            framer: Framer::new(&protocol.frame),
            protocol: protocol.clone(),
            state: State::Free,
            asked: None,
            opened: 0,
            round: 0,
            round_began: now,
            request: 0,
            errors: Errors::Quiet,
            errors_round: None,
            tail: Vec::new(),
            timeouts: 0,
        })
    }

    /// What to do now.
    pub(crate) fn turn(&mut self, now: Mono) -> Turn<'_> {
        match self.state {
            State::Waiting(until) | State::Resting(until) if now < until => return Turn::Wait(until),
            State::Waiting(_) => self.timed_out(now),
            State::Resting(_) | State::Free => self.state = State::Free,
        }
        loop {
            if let State::Resting(until) = self.state {
                return Turn::Wait(until);
            }
            if let Some(next) = self.next(now) {
                return Turn::Send(self.bytes(next));
            }
            self.begin_round(now);
        }
    }

    /// Bytes came.
    pub(crate) fn received(&mut self, bytes: &[u8]) {
        let Some(poll) = &self.protocol.poll else { return };
        let (mut answered, mut failed) = (false, false);
        let asked = self.asked;
        self.framer.push(bytes, |cut| {
            if let Cut::Frame(frame, _) | Cut::Trial(frame, _) = cut
                && !frame.trim_ascii().is_empty()
            {
                answered = true;
                failed |= poll.is_error(asked, frame);
            }
            Verdict::Taken
        });
        if let Some(ready) = &poll.ready {
            self.tail.extend_from_slice(bytes);
            answered = memchr::memmem::find(&self.tail, ready).is_some();
            let keep = if answered { 0 } else { (ready.len() - 1).min(self.tail.len()) };
            self.tail.drain(..self.tail.len() - keep);
        }
        self.errors = match (self.errors, failed, asked) {
            (Errors::Due(times), true, Some(Asked::ERRORS)) if times >= MOST_ERRORS_IN_A_ROW => Errors::Quiet,
            (Errors::Quiet, true, _) => Errors::Due(0),
            (Errors::Due(_), false, Some(Asked::ERRORS)) if answered => Errors::Quiet,
            (errors, ..) => errors,
        };
        if answered && matches!(self.state, State::Waiting(_)) {
            self.state = State::Free;
        }
    }

    /// What bytes that come now answer; none before anything was asked, and after a time-out, when
    /// an answer would be too late to be trusted. For [`Engine::asked`](super::Engine::asked).
    pub(crate) fn asked(&self) -> Option<Asked> {
        self.asked
    }

    /// How often no answer came in time.
    pub(crate) fn timeouts(&self) -> u64 {
        self.timeouts
    }

    fn rule(&self) -> &PollRule {
        self.protocol.poll.as_ref().expect("`new` makes a poller only of a protocol that is polled")
    }

    /// An answer that comes late must not be taken for that to the next request: a while of
    /// silence comes first.
    fn timed_out(&mut self, now: Mono) {
        self.timeouts += 1;
        self.state = State::Resting(now.plus(self.rule().timeout));
        let is_own = self.asked == Some(Asked::ERRORS);
        self.asked = None;
        self.errors = if is_own { Errors::Quiet } else { Errors::Due(0) };
    }

    /// Begins the next round.
    fn begin_round(&mut self, now: Mono) {
        // A round that took too long is not made up for by two at once.
        self.round_began = self.round_began.plus(self.rule().every).max(now);
        self.round += 1;
        self.request = 0;
        if self.round_began > now {
            self.state = State::Resting(self.round_began);
        }
    }

    fn errors_due(&self) -> bool {
        let Some(errors) = &self.rule().errors else { return false };
        let rounds = u64::from(errors.rounds);
        let is_their_round = self.errors_round != Some(self.round) && self.round % rounds == rounds - 1;
        matches!(self.errors, Errors::Due(_)) || is_their_round
    }

    /// What to send next in this round; none where it is through.
    fn next(&mut self, now: Mono) -> Option<Next> {
        let waiting = State::Waiting(now.plus(self.rule().timeout));
        self.tail.clear();
        if self.opened < self.rule().open.len() {
            self.opened += 1;
            self.asked = Some(Asked::OPENING);
            self.state = match self.rule().ready {
                Some(_) => waiting,
                None => State::Resting(now.plus(self.rule().pause)),
            };
            return Some(Next::Opening(self.opened - 1));
        }
        while let Some(request) = self.rule().requests.get(self.request) {
            let is_its_round = self.round.is_multiple_of(u64::from(request.rounds));
            let number = self.request;
            self.request += 1;
            if is_its_round {
                self.asked = Some(Asked(number as u16));
                self.state = waiting;
                return Some(Next::Request(number));
            }
        }
        if !self.errors_due() {
            return None;
        }
        if let Errors::Due(times) = &mut self.errors {
            *times += 1;
        }
        self.errors_round = Some(self.round);
        self.asked = Some(Asked::ERRORS);
        self.state = waiting;
        Some(Next::Errors)
    }

    fn bytes(&self, next: Next) -> &[u8] {
        let rule = self.rule();
        match next {
            Next::Opening(index) => &rule.open[index],
            Next::Request(index) => &rule.requests[index].send,
            Next::Errors => &rule.errors.as_ref().expect("they are due only where the protocol has them").send,
        }
    }
}

/// What is sent.
#[derive(Debug, Clone, Copy)]
enum Next {
    Opening(usize),
    Request(usize),
    Errors,
}

#[cfg(test)]
mod tests;
