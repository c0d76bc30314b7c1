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
//!             poller.received(&bytes, now());
//!             engine.push(&bytes, &mut Decoded::default());
//!         }
//!     }
//! }
//! ```

mod patience;

use std::{collections::VecDeque, sync::Arc, time::Duration};

use super::{
    Protocol,
    frame::{Acceptance, Framer, FramerOutput},
    poll::{PollRule, RequestId, RequestNeed},
    problem::escape,
};
use crate::{clock::Mono, units::show_seconds};
use patience::Patience;

/// An error queue that never empties is read no more often than this in a row.
const MOST_ERRORS_IN_A_ROW: u32 = 8;

/// A device that starts anew again and again gets its opening lines no more often than this.
const BETWEEN_RESTARTS: Duration = Duration::from_secs(5);

/// Notices that wait to be taken; more of them are dropped.
const MOST_NOTICES: usize = 8;

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
    /// How long to wait for the answer to each request, and which are asked no more.
    patience: Vec<Patience>,
    /// The same for the queue of errors.
    errors_patience: Patience,
    /// The request that was not answered in time: as long as nothing else is sent, a late answer can only be to it.
    late: Option<UnansweredRequest>,
    /// The last one that was not answered since the queue of errors was asked.
    unanswered: Option<RequestId>,
    sent: Mono,
    restarted: Option<Mono>,
    notices: VecDeque<String>,
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

/// A request that was not answered in time.
#[derive(Debug, Clone, Copy)]
struct UnansweredRequest {
    request: RequestId,
    sent: Mono,
    waited: Duration,
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
        let poll = protocol.poll.as_ref()?;
        let errors_timeout = poll.errors.as_ref().map_or(poll.timeout, |errors| errors.timeout).0;
        Some(Self {
            patience: poll.requests.iter().map(|request| Patience::new(request.timeout.0, request.need)).collect(),
            errors_patience: Patience::new(errors_timeout, RequestNeed::Optional),
            late: None,
            unanswered: None,
            sent: now,
            restarted: None,
            notices: VecDeque::new(),
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
    pub(crate) fn received(&mut self, bytes: &[u8], now: Mono) {
        let Some(poll) = &self.protocol.poll else { return };
        let (mut answered, mut failed, mut restarted) = (false, false, false);
        let request = self.request;
        self.framer.push(bytes, |cut| {
            if let FramerOutput::Frame(frame, _) | FramerOutput::Trial(frame, _) = cut
                && !frame.trim_ascii().is_empty()
            {
                answered = true;
                failed |= poll.is_error(request, frame);
                restarted |= poll.is_restart(request, frame);
            }
            Acceptance::Accepted
        });
        if answered && request.is_none() {
            self.learn_from_late(now);
        }
        if restarted && self.restarted.is_none_or(|before| now >= before.plus(BETWEEN_RESTARTS)) {
            self.restarted = Some(now);
            self.opened = 0;
            self.notice("the device has started anew or forgot its settings; they are sent again".to_owned());
        }
        let Some(poll) = &self.protocol.poll else { return };
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
            self.answered(failed);
            self.state = PollerState::Free;
        }
    }

    /// An answer came in time.
    fn answered(&mut self, failed: bool) {
        let Some(request) = self.request else { return };
        // An error in the queue behind silence: the meter does not know the request.
        if request == RequestId::ERRORS
            && let Some(unanswered) = self.unanswered.take().filter(|_| failed)
            && self.patience_of(unanswered).is_some_and(Patience::give_up)
        {
            self.report_given_up(unanswered);
        }
        if failed && request != RequestId::ERRORS {
            if self.patience_of(request).is_some_and(Patience::give_up) {
                self.report_given_up(request);
            }
        } else if let Some(patience) = self.patience_of(request) {
            patience.answered();
        }
    }

    /// An answer came after its time-out: it is not used, but from now on there is more time.
    fn learn_from_late(&mut self, now: Mono) {
        let Some(UnansweredRequest { request, sent, waited }) = self.late.take() else { return };
        let took = Duration::from_micros(now.since(sent).max(0).unsigned_abs());
        let Some(patience) = self.patience_of(request) else { return };
        let after = patience.was_late(took);
        self.notice(format!(
            "the answer to \"{}\" came after {}, later than {}; from now on it has {}",
            self.name_of(request),
            show_seconds(took.as_secs_f64()),
            show_seconds(waited.as_secs_f64()),
            show_seconds(after.as_secs_f64()),
        ));
    }

    fn patience_of(&mut self, request: RequestId) -> Option<&mut Patience> {
        if request == RequestId::ERRORS {
            Some(&mut self.errors_patience)
        } else {
            self.patience.get_mut(request.index())
        }
    }

    /// A request as it is sent, readable.
    fn name_of(&self, request: RequestId) -> String {
        let rule = self.rule();
        let sent = match (&rule.errors, rule.requests.get(request.index())) {
            (Some(errors), _) if request == RequestId::ERRORS => &errors.send[..],
            (_, Some(request)) => &request.send,
            _ => b"",
        };
        escape(sent.trim_ascii())
    }

    fn report_given_up(&mut self, request: RequestId) {
        let name = self.name_of(request);
        self.notice(format!("the meter does not know \"{name}\" and is asked it no more"));
    }

    fn notice(&mut self, text: String) {
        if self.notices.len() < MOST_NOTICES {
            self.notices.push_back(text);
        }
    }

    /// What the operator should know of the talk with the meter.
    pub(crate) fn take_notice(&mut self) -> Option<String> {
        self.notices.pop_front()
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
        let request = self.request.take();
        let (sent, usual) = (self.sent, self.rule().timeout.0);
        let patience = request.and_then(|request| self.patience_of(request));
        // Opening lines have the time that the file gives to all.
        let waited = patience.as_ref().map_or(usual, |patience| patience.timeout());
        let gives_up = patience.is_some_and(Patience::unanswered);
        if let Some(request) = request.filter(|_| gives_up) {
            self.report_given_up(request);
        }
        self.state = PollerState::Resting(now.plus(waited));
        let is_own = request == Some(RequestId::ERRORS);
        self.late = request.map(|request| UnansweredRequest { request, sent, waited });
        self.unanswered = request.filter(|_| !is_own).or(self.unanswered);
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
        if self.errors_patience.is_given_up() {
            return false;
        }
        let rounds = u64::from(errors.rounds.get());
        let is_their_round = self.errors_round != Some(self.round) && self.round % rounds == rounds - 1;
        matches!(self.errors, ErrorQueueState::Due(_)) || is_their_round
    }

    /// What to send next in this round; none where it is through.
    fn next(&mut self, now: Mono) -> Option<PollMessage> {
        self.tail.clear();
        (self.sent, self.late) = (now, None);
        if self.opened < self.rule().open.len() {
            self.opened += 1;
            self.request = Some(RequestId::OPENING);
            self.state = match self.rule().ready {
                Some(_) => PollerState::Waiting(now.plus(self.rule().timeout.0)),
                None => PollerState::Resting(now.plus(self.rule().pause.0)),
            };
            return Some(PollMessage::Opening(self.opened - 1));
        }
        while let Some(request) = self.rule().requests.get(self.next_request) {
            let is_its_round = self.round.is_multiple_of(u64::from(request.rounds.get()));
            let number = self.next_request;
            self.next_request += 1;
            if is_its_round && !self.patience[number].is_given_up() {
                self.request = Some(RequestId::of(number));
                self.state = PollerState::Waiting(now.plus(self.patience[number].timeout()));
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
        self.state = PollerState::Waiting(now.plus(self.errors_patience.timeout()));
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
