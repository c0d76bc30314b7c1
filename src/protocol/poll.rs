//! Meters that speak only when asked: what to send, when, and which answer belongs to what.
//!
//! A [`Poller`] reads no clock and does no I/O: who drives it asks for its turn, sends what it
//! says, and hands it the bytes that come.
//!
//! # Example
//! ```no_run
//! # use bayline::{clock::Mono, protocol::{Engine, Decoded, Library, Poller, Turn}};
//! # fn write(_: &[u8]) {} fn read_until(_: Mono) -> Vec<u8> { Vec::new() } fn now() -> Mono { Mono(0) }
//! # let protocol = Library::default().find("scpi").unwrap();
//! # let mut engine = Engine::new(protocol.clone());
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
//! #   break;
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
    pub fn named(&self, name: &str) -> Option<Asked> {
        match name {
            "open" => Some(Asked::OPENING),
            "errors" => self.errors.as_ref().map(|_| Asked::ERRORS),
            _ => self.requests.iter().zip(0..).find(|(request, _)| request.name == name).map(|(_, at)| Asked(at)),
        }
    }

    /// Whether a frame says that something went wrong.
    pub fn is_error(&self, asked: Option<Asked>, frame: &[u8]) -> bool {
        match (&self.errors, asked) {
            (_, Some(Asked::OPENING)) => false,
            (Some(errors), Some(Asked::ERRORS)) => !errors.none.is_match(frame),
            _ => self.error.as_ref().is_some_and(|error| error.is_match(frame)),
        }
    }

    /// Whether an answer is none of the meter's values.
    pub fn is_aside(asked: Option<Asked>) -> bool {
        matches!(asked, Some(Asked::OPENING | Asked::ERRORS))
    }
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn<'a> {
    /// Send these bytes, and then take the next turn.
    Send(&'a [u8]),
    /// Receive until then, and hand what came to [`Poller::received`].
    Wait(Mono),
}

/// Asks one meter.
#[derive(Debug)]
pub struct Poller {
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
    pub fn new(protocol: &Arc<Protocol>, now: Mono) -> Option<Self> {
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
    pub fn turn(&mut self, now: Mono) -> Turn<'_> {
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
    pub fn received(&mut self, bytes: &[u8]) {
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
    pub fn asked(&self) -> Option<Asked> {
        self.asked
    }

    /// How often no answer came in time.
    pub fn timeouts(&self) -> u64 {
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
mod tests {
    use super::*;
    use crate::protocol::{Decoded, Engine, show_reading};

    fn protocol(poll: &str, decode: &str) -> Arc<Protocol> {
        let text = format!(
            "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"line\"\n[poll]\n{poll}\n[decode]\n{decode}\n"
        );
        Arc::new(Protocol::parse("p.toml", &text).unwrap_or_else(|mistake| panic!("{mistake}")))
    }

    fn ms(time: i64) -> Mono {
        Mono(time * 1000)
    }

    fn told(turn: Turn<'_>) -> String {
        match turn {
            Turn::Send(bytes) => String::from_utf8_lossy(bytes).trim_end().to_owned(),
            Turn::Wait(until) => format!("wait {}", until.0 / 1000),
        }
    }

    const NUMBER: &str = "kind = \"number\"";

    #[test]
    fn requests_go_round_in_turn() {
        let poll = "open = [\"*CLS\", \"SYST:REM\"]\npause = \"20 ms\"\nevery = \"100 ms\"\ntimeout = \"1 s\"\n\
            request = [{ name = \"function\", send = \"FUNC?\", rounds = 2 }, { name = \"value\", send = \"READ?\" }]";
        let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
        assert_eq!(told(poller.turn(ms(0))), "*CLS");
        assert_eq!(told(poller.turn(ms(0))), "wait 20");
        assert_eq!(told(poller.turn(ms(20))), "SYST:REM");
        assert_eq!(told(poller.turn(ms(39))), "wait 40");
        assert_eq!(told(poller.turn(ms(40))), "FUNC?");
        assert_eq!(told(poller.turn(ms(40))), "wait 1040");
        poller.received(b"VO");
        assert_eq!(told(poller.turn(ms(41))), "wait 1040", "half an answer is none");
        poller.received(b"LT\n");
        assert_eq!(told(poller.turn(ms(42))), "READ?");
        poller.received(b"1.5\n");
        assert_eq!(told(poller.turn(ms(50))), "wait 100");
        assert_eq!(told(poller.turn(ms(100))), "READ?", "the function is asked every second round");
        poller.received(b"1.5\n");
        assert_eq!(told(poller.turn(ms(350))), "FUNC?", "a late round begins at once");
        poller.received(b"VOLT\n");
        assert_eq!(told(poller.turn(ms(351))), "READ?");
        poller.received(b"1.5\n");
        assert_eq!(told(poller.turn(ms(352))), "wait 450", "and is not made up for");
    }

    #[test]
    fn a_time_out_is_followed_by_silence_and_the_error_queue() {
        let poll = "every = \"100 ms\"\ntimeout = \"50 ms\"\nrequest = [{ name = \"value\", send = \"READ?\" }]\n\
            errors = { send = \"SYST:ERR?\", none = '^[+]?0,', rounds = 100 }";
        let protocol = protocol(poll, NUMBER);
        let mut poller = Poller::new(&protocol, ms(0)).unwrap();
        assert_eq!(told(poller.turn(ms(0))), "READ?");
        assert!(poller.asked().is_some());
        assert_eq!(told(poller.turn(ms(50))), "wait 100");
        assert_eq!((poller.timeouts(), poller.asked()), (1, None), "an answer would be too late");
        assert_eq!(told(poller.turn(ms(100))), "SYST:ERR?");
        let mut engine = Engine::new(protocol.clone());
        let mut out = Decoded::default();
        for answer in [&b"-113,\"Undefined header\"\n"[..], b"0,\"No error\"\n"] {
            engine.asked(poller.asked());
            engine.push(answer, &mut out);
            poller.received(answer);
            if answer[0] == b'-' {
                assert_eq!(told(poller.turn(ms(110))), "SYST:ERR?", "until the queue is empty");
            }
        }
        assert_eq!(out.problems.len(), 1);
        assert_eq!(out.problems[0].frame, "-113,\"Undefined header\"");
        assert_eq!(told(poller.turn(ms(120))), "READ?");
    }

    #[test]
    fn a_prompt_says_that_the_next_may_come() {
        let poll = "open = [\"E0\"]\nready = \">\"\nevery = \"100 ms\"\nterminator = \"\\r\"\n\
            request = [{ name = \"speed\", send = \"010D\" }]";
        let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
        assert_eq!(told(poller.turn(ms(0))), "E0");
        poller.received(b"OK\r\n");
        assert_eq!(told(poller.turn(ms(1))), "wait 1000");
        poller.received(b"\r\n>");
        assert_eq!(told(poller.turn(ms(2))), "010D");
    }

    #[test]
    fn answers_reach_the_values_they_belong_to() {
        let poll =
            "every = \"100 ms\"\nrequest = [{ name = \"lift\", send = \"1\" }, { name = \"feed\", send = \"2\" }]";
        let decode = "kind = \"pattern\"\n\
            [[decode.message]]\nanswers = [\"lift\"]\npattern = '^(?<value>.*)$'\nvalue = [{ name = \"lift\", unit = \"A\" }]\n\
            [[decode.message]]\nanswers = [\"feed\"]\npattern = '^(?<value>.*)$'\nvalue = [{ name = \"feed\", unit = \"V\" }]\n";
        let protocol = protocol(poll, decode);
        let mut poller = Poller::new(&protocol, ms(0)).unwrap();
        let (mut engine, mut out) = (Engine::new(protocol.clone()), Decoded::default());
        for (answer, now) in [(&b"0.5\n"[..], 0), (b"12.4\n", 1)] {
            assert!(matches!(poller.turn(ms(now)), Turn::Send(_)));
            engine.asked(poller.asked());
            engine.push(answer, &mut out);
            poller.received(answer);
        }
        engine.asked(None);
        engine.push(b"7\n", &mut out);
        let shown: Vec<String> = out
            .readings
            .iter()
            .map(|reading| show_reading(&engine.names()[usize::from(reading.name)], reading))
            .collect();
        assert_eq!(shown, ["lift = 0.5 A", "feed = 12.4 V"]);
        assert_eq!(out.problems[0].reason, "expected a message that the protocol knows");
    }

    proptest::proptest! {
        /// Whatever comes when, the poller neither sends without end nor stays silent for good.
        #[test]
        fn it_always_goes_on(steps in proptest::collection::vec((0i64..300, 0usize..4), 1..200)) {
            let poll = "open = [\"x\"]\nevery = \"100 ms\"\ntimeout = \"50 ms\"\nrequest = [{ name = \"a\", send = \"A\", rounds = 3 }]\n\
                errors = { send = \"E\", none = '^0', rounds = 5 }";
            let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
            let mut now = 0;
            for (later, what) in steps {
                now += later;
                let mut sent = 0;
                while let Turn::Send(_) = poller.turn(ms(now)) {
                    sent += 1;
                    proptest::prop_assert!(sent <= 2);
                }
                let Turn::Wait(until) = poller.turn(ms(now)) else { panic!("it waits now") };
                proptest::prop_assert!(until > ms(now) && until <= ms(now + 100));
                poller.received([&b""[..], b"1\n", b"0\n", b"\n"][what]);
            }
        }
    }
}
