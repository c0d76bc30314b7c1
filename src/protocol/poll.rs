//! Meters that speak only when request: what to send, when, and which answer belongs to what.
//!
//! A [`Poller`] reads no clock and does no I/O: who drives it asks for its turn, sends what it
//! says, and hands it the bytes that come.
//!
//! # Example
//! ```text
//! let mut poller = Poller::new(&protocol, now()).expect("it is polled");
//! loop {
//!     match poller.next_action(now()) {
//!         PollAction::Send(bytes) => write(bytes),
//!         PollAction::Wait(until) => {
//!             let bytes = read_until(until);
//!             engine.set_request(poller.request());
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
    frame::{Acceptance, Framer, FramerOutput},
};
use crate::clock::Mono;

/// A request of a protocol, so that its answer is known for what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RequestId(u16);

impl RequestId {
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
    /// RequestId in every so-manieth round, and when a request failed.
    pub rounds: u32,
}

impl PollRule {
    /// The request of this name; `open` and `errors` stand for what is asked besides.
    pub(super) fn named(&self, name: &str) -> Option<RequestId> {
        match name {
            "open" => Some(RequestId::OPENING),
            "errors" => self.errors.as_ref().map(|_| RequestId::ERRORS),
            _ => self.requests.iter().zip(0..).find(|(request, _)| request.name == name).map(|(_, at)| RequestId(at)),
        }
    }

    /// Whether a frame says that something went wrong.
    pub(super) fn is_error(&self, request: Option<RequestId>, frame: &[u8]) -> bool {
        match (&self.errors, request) {
            (_, Some(RequestId::OPENING)) => false,
            (Some(errors), Some(RequestId::ERRORS)) => !errors.none.is_match(frame),
            _ => self.error.as_ref().is_some_and(|error| error.is_match(frame)),
        }
    }

    /// Whether an answer is none of the meter's values.
    pub(super) fn is_aside(request: Option<RequestId>) -> bool {
        matches!(request, Some(RequestId::OPENING | RequestId::ERRORS))
    }
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PollAction<'a> {
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
    state: PollerState,
    request: Option<RequestId>,
    /// Lines sent after connecting.
    opened: usize,
    round: u64,
    round_began: Mono,
    /// Requests of this round that had their turn.
    next_request: usize,
    errors: ErrorQueueState,
    /// The last round in which the queue of errors was asked.
    errors_round: Option<u64>,
    /// The last bytes that came, which may be the beginning of what says "ready".
    tail: Vec<u8>,
    timeouts: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum PollerState {
    /// Something may be sent.
    Free,
    /// Nothing is sent before this time.
    Resting(Mono),
    /// An answer must come before this time.
    Waiting(Mono),
}

/// Whether the queue of errors is to be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ErrorQueueState {
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
            state: PollerState::Free,
            request: None,
            opened: 0,
            round: 0,
            round_began: now,
            next_request: 0,
            errors: ErrorQueueState::Quiet,
            errors_round: None,
            tail: Vec::new(),
            timeouts: 0,
        })
    }

    /// What to do now.
    pub(crate) fn next_action(&mut self, now: Mono) -> PollAction<'_> {
        match self.state {
            PollerState::Waiting(until) | PollerState::Resting(until) if now < until => return PollAction::Wait(until),
            PollerState::Waiting(_) => self.timed_out(now),
            PollerState::Resting(_) | PollerState::Free => self.state = PollerState::Free,
        }
        loop {
            if let PollerState::Resting(until) = self.state {
                return PollAction::Wait(until);
            }
            if let Some(next) = self.next(now) {
                return PollAction::Send(self.bytes(next));
            }
            self.begin_round(now);
        }
    }

    /// Bytes came.
    pub(crate) fn received(&mut self, bytes: &[u8]) {
        let Some(poll) = &self.protocol.poll else { return };
        let (mut answered, mut failed) = (false, false);
        let request = self.request;
        self.framer.push(bytes, |cut| {
            if let FramerOutput::Frame(frame, _) | FramerOutput::Trial(frame, _) = cut
                && !frame.trim_ascii().is_empty()
            {
                answered = true;
                failed |= poll.is_error(request, frame);
            }
            Acceptance::Accepted
        });
        if let Some(ready) = &poll.ready {
            self.tail.extend_from_slice(bytes);
            answered = memchr::memmem::find(&self.tail, ready).is_some();
            let keep = if answered { 0 } else { (ready.len() - 1).min(self.tail.len()) };
            self.tail.drain(..self.tail.len() - keep);
        }
        self.errors = match (self.errors, failed, request) {
            (ErrorQueueState::Due(times), true, Some(RequestId::ERRORS)) if times >= MOST_ERRORS_IN_A_ROW => {
                ErrorQueueState::Quiet
            }
            (ErrorQueueState::Quiet, true, _) => ErrorQueueState::Due(0),
            (ErrorQueueState::Due(_), false, Some(RequestId::ERRORS)) if answered => ErrorQueueState::Quiet,
            (errors, ..) => errors,
        };
        if answered && matches!(self.state, PollerState::Waiting(_)) {
            self.state = PollerState::Free;
        }
    }

    /// What bytes that come now answer; none before anything was request, and after a time-out, when
    /// an answer would be too late to be trusted. For [`Engine::set_request`](super::Engine::set_request).
    pub(crate) fn request(&self) -> Option<RequestId> {
        self.request
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
        self.state = PollerState::Resting(now.plus(self.rule().timeout));
        let is_own = self.request == Some(RequestId::ERRORS);
        self.request = None;
        self.errors = if is_own { ErrorQueueState::Quiet } else { ErrorQueueState::Due(0) };
    }

    /// Begins the next round.
    fn begin_round(&mut self, now: Mono) {
        // A round that took too long is not made up for by two at once.
        self.round_began = self.round_began.plus(self.rule().every).max(now);
        self.round += 1;
        self.next_request = 0;
        if self.round_began > now {
            self.state = PollerState::Resting(self.round_began);
        }
    }

    fn errors_due(&self) -> bool {
        let Some(errors) = &self.rule().errors else { return false };
        let rounds = u64::from(errors.rounds);
        let is_their_round = self.errors_round != Some(self.round) && self.round % rounds == rounds - 1;
        matches!(self.errors, ErrorQueueState::Due(_)) || is_their_round
    }

    /// What to send next in this round; none where it is through.
    fn next(&mut self, now: Mono) -> Option<PollMessage> {
        let waiting = PollerState::Waiting(now.plus(self.rule().timeout));
        self.tail.clear();
        if self.opened < self.rule().open.len() {
            self.opened += 1;
            self.request = Some(RequestId::OPENING);
            self.state = match self.rule().ready {
                Some(_) => waiting,
                None => PollerState::Resting(now.plus(self.rule().pause)),
            };
            return Some(PollMessage::Opening(self.opened - 1));
        }
        while let Some(request) = self.rule().requests.get(self.next_request) {
            let is_its_round = self.round.is_multiple_of(u64::from(request.rounds));
            let number = self.next_request;
            self.next_request += 1;
            if is_its_round {
                self.request = Some(RequestId(number as u16));
                self.state = waiting;
                return Some(PollMessage::Request(number));
            }
        }
        if !self.errors_due() {
            return None;
        }
        if let ErrorQueueState::Due(times) = &mut self.errors {
            *times += 1;
        }
        self.errors_round = Some(self.round);
        self.request = Some(RequestId::ERRORS);
        self.state = waiting;
        Some(PollMessage::ErrorQueueState)
    }

    fn bytes(&self, next: PollMessage) -> &[u8] {
        let rule = self.rule();
        match next {
            PollMessage::Opening(index) => &rule.open[index],
            PollMessage::Request(index) => &rule.requests[index].send,
            PollMessage::ErrorQueueState => {
                &rule.errors.as_ref().expect("they are due only where the protocol has them").send
            }
        }
    }
}

/// What is sent.
#[derive(Debug, Clone, Copy)]
enum PollMessage {
    Opening(usize),
    Request(usize),
    ErrorQueueState,
}

#[cfg(test)]
mod tests;
