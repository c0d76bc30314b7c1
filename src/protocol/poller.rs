//! Meters that speak only when request: what to send, when, and which answer belongs to what.
//!
//! A [`Poller`] reads no clock and does no I/O. Its caller asks for the next action, sends the bytes,
//! and passes on the bytes that are received.
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

use std::sync::Arc;

use super::{
    Protocol,
    frame::{Acceptance, Framer, FramerOutput},
    poll::{PollRule, RequestId},
};
use crate::clock::Mono;

/// An error queue that never empties is read no more often than this in a row.
const MOST_ERRORS_IN_A_ROW: u32 = 8;

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
    /// The last bytes that came, which may be the beginning of the `ready` text.
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
            answered = memchr::memmem::find(&self.tail, &ready.0).is_some();
            let keep = if answered { 0 } else { (ready.0.len() - 1).min(self.tail.len()) };
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
        self.state = PollerState::Resting(now.plus(self.rule().timeout.0));
        let is_own = self.request == Some(RequestId::ERRORS);
        self.request = None;
        self.errors = if is_own { ErrorQueueState::Quiet } else { ErrorQueueState::Due(0) };
    }

    /// Begins the next round.
    fn begin_round(&mut self, now: Mono) {
        // A round that took too long is not made up for by two at once.
        self.round_began = self.round_began.plus(self.rule().every.0).max(now);
        self.round += 1;
        self.next_request = 0;
        if self.round_began > now {
            self.state = PollerState::Resting(self.round_began);
        }
    }

    fn errors_due(&self) -> bool {
        let Some(errors) = &self.rule().errors else { return false };
        let rounds = u64::from(errors.rounds.get());
        let is_their_round = self.errors_round != Some(self.round) && self.round % rounds == rounds - 1;
        matches!(self.errors, ErrorQueueState::Due(_)) || is_their_round
    }

    /// What to send next in this round; none where it is through.
    fn next(&mut self, now: Mono) -> Option<PollMessage> {
        let waiting = PollerState::Waiting(now.plus(self.rule().timeout.0));
        self.tail.clear();
        if self.opened < self.rule().open.len() {
            self.opened += 1;
            self.request = Some(RequestId::OPENING);
            self.state = match self.rule().ready {
                Some(_) => waiting,
                None => PollerState::Resting(now.plus(self.rule().pause.0)),
            };
            return Some(PollMessage::Opening(self.opened - 1));
        }
        while let Some(request) = self.rule().requests.get(self.next_request) {
            let is_its_round = self.round.is_multiple_of(u64::from(request.rounds.get()));
            let number = self.next_request;
            self.next_request += 1;
            if is_its_round {
                self.request = Some(RequestId::of(number));
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
