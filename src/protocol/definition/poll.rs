//! `[poll]`: what is asked of a meter that speaks only then.

use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::file::File;
use crate::{
    mistake::Mistake,
    protocol::poll::{ErrorsRule, MOST_REQUESTS, PollRule, RequestRule},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PollText {
    #[serde(default)]
    open: Vec<String>,
    pause: Option<Spanned<String>>,
    every: Spanned<String>,
    timeout: Option<Spanned<String>>,
    terminator: Option<String>,
    request: Spanned<Vec<RequestText>>,
    error: Option<Spanned<String>>,
    ready: Option<Spanned<String>>,
    errors: Option<ErrorsText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RequestText {
    name: Spanned<String>,
    send: Option<String>,
    hex: Option<Spanned<String>>,
    rounds: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ErrorsText {
    send: String,
    none: Spanned<String>,
    rounds: Option<Spanned<u32>>,
}

impl File<'_> {
    pub(super) fn poll_rule(&self, poll: PollText) -> Result<PollRule, Mistake> {
        let end = poll.terminator.as_deref().unwrap_or("\n");
        let ended = |text: &str| [text, end].concat().into_bytes();
        let span = poll.request.span();
        let mut requests: Vec<RequestRule> = Vec::new();
        for request in poll.request.into_inner() {
            let name = request.name.get_ref();
            if name == "open" || name == "errors" || requests.iter().any(|known| known.name == *name) {
                let message =
                    format!("found the name \"{name}\", expected one of its own, and not \"open\" or \"errors\"");
                return Err(self.mistake(request.name.span(), message));
            }
            let send = match (&request.send, &request.hex) {
                (Some(text), None) => ended(text),
                (None, Some(hex)) => self.hex(hex)?,
                _ => return Err(self.mistake(request.name.span(), "expected `send` or `hex` in a request")),
            };
            requests.push(RequestRule {
                send,
                rounds: self.rounds(request.rounds.as_ref(), 1)?,
                name: request.name.into_inner(),
            });
        }
        if requests.is_empty() || requests.len() > MOST_REQUESTS {
            return Err(self.mistake(span, format!("expected 1 to {MOST_REQUESTS} requests")));
        }
        let errors = match &poll.errors {
            None => None,
            Some(errors) => Some(ErrorsRule {
                send: ended(&errors.send),
                none: self.pattern(&errors.none)?,
                rounds: self.rounds(errors.rounds.as_ref(), 60)?,
            }),
        };
        Ok(PollRule {
            open: poll.open.iter().map(|line| ended(line)).collect(),
            pause: self.duration_or(poll.pause.as_ref(), Duration::from_millis(100))?,
            every: self.duration_or(Some(&poll.every), Duration::ZERO)?,
            timeout: self.duration_or(poll.timeout.as_ref(), Duration::from_secs(1))?,
            requests,
            error: poll.error.as_ref().map(|error| self.pattern(error)).transpose()?,
            ready: self.filled(poll.ready, "ready")?,
            errors,
        })
    }

    fn rounds(&self, rounds: Option<&Spanned<u32>>, usual: u32) -> Result<u32, Mistake> {
        match rounds {
            Some(rounds) if *rounds.get_ref() == 0 => Err(self.mistake(rounds.span(), "expected at least 1 round")),
            rounds => Ok(rounds.map_or(usual, |rounds| *rounds.get_ref())),
        }
    }

    /// A time from a millisecond to an hour.
    fn duration_or(&self, text: Option<&Spanned<String>>, usual: Duration) -> Result<Duration, Mistake> {
        let Some(text) = text else { return Ok(usual) };
        let duration = self.duration(text)?;
        let is_sensible = (Duration::from_millis(1)..=Duration::from_secs(3600)).contains(&duration);
        let wrong = || self.mistake(text.span(), "expected a time from 1 ms to 1 h");
        is_sensible.then_some(duration).ok_or_else(wrong)
    }
}
