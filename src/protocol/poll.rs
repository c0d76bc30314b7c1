//! `[poll]`: what is sent to a meter that speaks only when asked.

use std::{num::NonZeroU32, str::FromStr, time::Duration};

use serde::Deserialize;
use toml::{Spanned, de::DeTable};

use crate::{
    mistake::{Mistake, Source},
    protocol::{
        tables,
        values::{BytePattern, HexBytes, NonEmptyText},
    },
    units::parse_duration,
    words::from_text,
};

/// A request of a protocol, so that its answer is known for what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RequestId(u16);

impl RequestId {
    /// One of the lines that are sent after connecting; what answers it is skipped.
    pub(super) const OPENING: Self = Self(u16::MAX);
    /// The question for the meter's queue of errors.
    pub(super) const ERRORS: Self = Self(u16::MAX - 1);

    /// The place in the file of a request that stands there.
    pub(super) fn index(self) -> usize {
        usize::from(self.0)
    }

    /// The request at this place in the file.
    pub(super) fn of(index: usize) -> Self {
        Self(index as u16)
    }
}

/// More requests than this in one file are a mistake.
const MOST_REQUESTS: usize = 64;

/// How a meter is asked.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct PollRule {
    /// Sent one by one after connecting.
    pub open: Vec<Vec<u8>>,
    /// After each of them, where the file has no `ready`.
    pub pause: PollTime,
    /// From the beginning of one round of requests to the next.
    pub every: PollTime,
    pub timeout: PollTime,
    pub requests: Vec<RequestRule>,
    /// An answer that says that the request failed.
    pub error: Option<BytePattern>,
    /// What ends an answer and says that the next request may come; without it, a whole frame is the answer.
    pub ready: Option<NonEmptyText>,
    /// What the device sends when it has started anew: it has forgotten the opening lines.
    pub restart: Option<BytePattern>,
    pub errors: Option<ErrorsRule>,
}

/// One request.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct RequestRule {
    name: String,
    pub send: Vec<u8>,
    /// It is sent in one round of this many.
    pub rounds: NonZeroU32,
    /// How long to wait for its answer.
    pub timeout: PollTime,
    pub need: RequestNeed,
}

/// Whether a meter must know a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::protocol) enum RequestNeed {
    Required,
    /// Where the meter does not answer, it is asked no more.
    Optional,
}

/// The meter's queue of errors.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct ErrorsRule {
    pub send: Vec<u8>,
    /// The answer that says that there is none.
    none: BytePattern,
    /// It is read in one round of this many, and when a request failed.
    pub rounds: NonZeroU32,
    /// How long to wait for its answer.
    pub timeout: PollTime,
}

/// A time from a millisecond to an hour.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) struct PollTime(pub Duration);

impl FromStr for PollTime {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let time = parse_duration(text).map_err(|error| error.to_string())?;
        let is_sensible = (Duration::from_millis(1)..=Duration::from_secs(3600)).contains(&time);
        if is_sensible { Ok(Self(time)) } else { Err("expected a time from 1 ms to 1 h".to_owned()) }
    }
}

from_text!(PollTime);

/// `[poll]` as the file has it: texts, and apart from them what ends each. The rule holds the bytes to send.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PollTable {
    #[serde(default)]
    open: Vec<String>,
    #[serde(default = "default_pause")]
    pause: PollTime,
    every: PollTime,
    #[serde(default = "default_timeout")]
    timeout: PollTime,
    #[serde(default = "default_terminator")]
    terminator: String,
    request: Spanned<Vec<RequestTable>>,
    error: Option<BytePattern>,
    ready: Option<NonEmptyText>,
    restart: Option<BytePattern>,
    errors: Option<ErrorsTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RequestTable {
    name: Spanned<String>,
    send: Option<String>,
    hex: Option<HexBytes>,
    #[serde(default = "every_round")]
    rounds: NonZeroU32,
    timeout: Option<PollTime>,
    #[serde(default)]
    optional: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ErrorsTable {
    send: String,
    none: BytePattern,
    #[serde(default = "default_error_rounds")]
    rounds: NonZeroU32,
    timeout: Option<PollTime>,
}

fn default_pause() -> PollTime {
    PollTime(Duration::from_millis(100))
}

fn default_timeout() -> PollTime {
    PollTime(Duration::from_secs(1))
}

fn default_terminator() -> String {
    "\n".to_owned()
}

fn every_round() -> NonZeroU32 {
    NonZeroU32::MIN
}

fn default_error_rounds() -> NonZeroU32 {
    NonZeroU32::MIN.saturating_add(59)
}

impl PollRule {
    /// Reads `[poll]`.
    pub(in crate::protocol) fn read(source: Source<'_>, table: Spanned<DeTable<'_>>) -> Result<Self, Mistake> {
        let poll: PollTable = tables::read(source, table)?;
        let ended = |text: &str| [text, &poll.terminator].concat().into_bytes();
        let span = poll.request.span();
        let mut requests: Vec<RequestRule> = Vec::new();
        for request in poll.request.into_inner() {
            let (name_span, name) = (request.name.span(), request.name.into_inner());
            if name == "open" || name == "errors" || requests.iter().any(|known| known.name == name) {
                let message =
                    format!("found the name \"{name}\", expected one of its own, and not \"open\" or \"errors\"");
                return Err(source.mistake(name_span, message));
            }
            let send = match (request.send, request.hex) {
                (Some(text), None) => ended(&text),
                (None, Some(HexBytes(bytes))) => bytes,
                _ => return Err(source.mistake(name_span, "expected `send` or `hex` in a request")),
            };
            let need = if request.optional { RequestNeed::Optional } else { RequestNeed::Required };
            let timeout = request.timeout.unwrap_or(poll.timeout);
            requests.push(RequestRule { name, send, rounds: request.rounds, timeout, need });
        }
        if requests.is_empty() || requests.len() > MOST_REQUESTS {
            return Err(source.mistake(span, format!("expected 1 to {MOST_REQUESTS} requests")));
        }
        let errors = poll.errors.map(|ErrorsTable { send, none, rounds, timeout }| ErrorsRule {
            send: ended(&send),
            none,
            rounds,
            timeout: timeout.unwrap_or(poll.timeout),
        });
        Ok(Self {
            open: poll.open.iter().map(|line| ended(line)).collect(),
            pause: poll.pause,
            every: poll.every,
            timeout: poll.timeout,
            requests,
            error: poll.error,
            ready: poll.ready,
            restart: poll.restart,
            errors,
        })
    }

    /// The request that another part of the file names; `open` and `errors` stand for what is sent besides.
    pub(in crate::protocol) fn find(
        poll: Option<&Self>,
        name: &Spanned<String>,
        source: Source<'_>,
    ) -> Result<RequestId, Mistake> {
        let known = poll.and_then(|poll| match name.get_ref().as_str() {
            "open" => Some(RequestId::OPENING),
            "errors" => poll.errors.as_ref().map(|_| RequestId::ERRORS),
            name => poll.requests.iter().position(|request| request.name == name).map(RequestId::of),
        });
        let found = name.get_ref();
        let unknown = || format!("found \"{found}\", expected the name of a request of [poll]");
        known.ok_or_else(|| source.mistake(name.span(), unknown()))
    }

    /// Whether a frame says that something went wrong.
    pub(in crate::protocol) fn is_error(&self, request: Option<RequestId>, frame: &[u8]) -> bool {
        match (&self.errors, request) {
            (_, Some(RequestId::OPENING)) => false,
            (Some(errors), Some(RequestId::ERRORS)) => !errors.none.is_match(frame),
            _ => self.error.as_ref().is_some_and(|error| error.is_match(frame)),
        }
    }

    /// Whether a frame says that the device has started anew. What comes before the opening lines are through is of before.
    pub(in crate::protocol) fn is_restart(&self, request: Option<RequestId>, frame: &[u8]) -> bool {
        request != Some(RequestId::OPENING) && self.restart.as_ref().is_some_and(|restart| restart.is_match(frame))
    }
}
