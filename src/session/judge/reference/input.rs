//! The values that a limit refers to: what was captured and what a channel shows.

use super::ReferredValue;
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::Mono,
    electrics::Uncertain,
    protocol::Value,
    session::{
        findings::SharedGainError,
        judge::{FRESH_US, SteadyWindow},
    },
};

/// A value that a limit refers to.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Input {
    /// What a step captured, or why there is nothing.
    Captured(Result<ReferredValue, String>),
    /// What a channel shows.
    Shown(Box<ShownInput>),
}

/// A channel that a limit refers to.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ShownInput {
    /// As written in the limit.
    pub name: String,
    /// Once a meter has it.
    pub channel: Option<(ChannelId, Channel)>,
    /// Its newest sample.
    pub latest: Option<Sample>,
    /// As long as that of the step.
    pub window: SteadyWindow,
}

impl Input {
    /// The value now.
    pub(super) fn value(&self, now: Mono) -> Option<f64> {
        match self {
            Self::Captured(reading) => reading.as_ref().ok().map(|reading| reading.value.value),
            Self::Shown(shown) => match shown.fresh(now)?.value {
                Value::Number(value) => Some(value),
                Value::Over | Value::Under => None,
            },
        }
    }

    /// The value with its uncertainty, or why there is none and what to do.
    pub(super) fn referred_value(&self, now: Mono, is_mean: bool) -> Result<ReferredValue, String> {
        match self {
            Self::Captured(reading) => reading.clone(),
            Self::Shown(shown) => shown.referred_value(now, is_mean),
        }
    }
}

impl ShownInput {
    fn fresh(&self, now: Mono) -> Option<Sample> {
        self.latest.filter(|sample| now.since(sample.at) <= FRESH_US)
    }

    fn referred_value(&self, now: Mono, is_mean: bool) -> Result<ReferredValue, String> {
        let name = &self.name;
        let Some((_, channel)) = &self.channel else {
            return Err(format!(
                "the limit refers to \"{name}\", which no meter on the bench has: correct the procedure or the bench"
            ));
        };
        let Some(sample) = self.fresh(now) else {
            let since = self.latest.map_or("nothing".to_owned(), |sample| {
                format!("nothing for {:.0} s", now.since(sample.at) as f64 / 1e6)
            });
            return Err(format!(
                "the limit refers to \"{name}\", which has shown {since}: check meter \"{}\", then do this step again",
                channel.meter_name
            ));
        };
        let Value::Number(shown) = sample.value else {
            return Err(format!(
                "the limit refers to \"{name}\", which is beyond its range: connect it, then do this step again"
            ));
        };
        // The mean over the window, whatever its noise: that is in its repeatability.
        let value = match self.window.settled(f64::INFINITY).filter(|_| is_mean) {
            Some(settled) => Uncertain::new(settled.value, sample.u.unwrap_or(0.0)).widened(settled.repeatability()),
            None => Uncertain::new(shown, sample.u.unwrap_or(0.0)),
        };
        let gain = SharedGainError::of_channel(channel, sample.quantity, value.value);
        Ok(ReferredValue { value, quantity: sample.quantity, gain })
    }
}
