//! What must follow a mark or a change of another channel, and how soon: `when` of a step.

use std::{fmt, str::FromStr, time::Duration};

use strum::{EnumMessage, VariantArray};

use crate::{
    units::{Limit, Measure, UnitError},
    words::{from_text, words},
};

/// A mark by hand is early or late by up to this, s: a reaction time, common practice, no source.
pub(crate) const HAND_S: f64 = 0.3;
/// Boards on different ports are stamped as their bytes arrive. A USB serial adapter holds them back by up to this, s: its usual
/// latency timer, from memory.
pub(crate) const PORT_S: f64 = 0.016;

/// Standard uncertainty of a delay before anything is measured, s: `trigger` is how far the readings of the channel lie apart that it
/// follows, none for a mark by hand, and `own` those of the one that must respond.
pub(crate) fn delay_u(trigger: Option<f64>, own: f64, is_other_meter: bool) -> f64 {
    let rectangular = |interval: f64| interval / 12f64.sqrt();
    let port = if is_other_meter { PORT_S / 3f64.sqrt() } else { 0.0 };
    trigger.map_or(HAND_S / 3f64.sqrt(), rectangular).hypot(rectangular(own)).hypot(port)
}

/// What one channel must do after something happened.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseRule {
    /// What it follows.
    pub trigger: ResponseTrigger,
    /// The channel that must respond.
    pub channel: String,
    /// What it must do.
    pub must: RequiredMove,
    /// What it must show before; none where anything.
    pub from: Option<Limit>,
    /// What it must show after; none where anything.
    pub to: Option<Limit>,
    /// How soon; none where the time does not matter.
    pub within: Option<Duration>,
}

impl ResponseRule {
    /// Whether it looks at a channel.
    pub(crate) fn names(&self, channel: &str) -> bool {
        let is_trigger = matches!(&self.trigger, ResponseTrigger::Change(name, _) if name == channel);
        is_trigger || self.channel == channel
    }
}

/// What a response follows.
#[derive(Debug, Clone, PartialEq)]
pub enum ResponseTrigger {
    /// A mark of this text; any mark where it is empty.
    Mark(String),
    /// A change of this channel, in this direction where one is given.
    Change(String, Option<ChangeDirection>),
}

impl fmt::Display for ResponseTrigger {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Mark(text) if text.is_empty() => write!(f, "mark"),
            Self::Mark(text) => write!(f, "mark \"{text}\""),
            Self::Change(channel, None) => write!(f, "change of {channel}"),
            Self::Change(channel, Some(direction)) => write!(f, "{channel} going {}", direction.word()),
        }
    }
}

impl fmt::Display for ResponseRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let must = match self.must {
            RequiredMove::Go => "",
            RequiredMove::Hold => " holds",
            RequiredMove::ComeBack => " comes back",
        };
        write!(f, "{}: {}{must}", self.trigger, self.channel)
    }
}

/// Up or down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum ChangeDirection {
    /// To a higher level.
    #[strum(serialize = "up")]
    Up,
    /// To a lower level.
    #[strum(serialize = "down")]
    Down,
}

words!(pub ChangeDirection);

/// What a channel must do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub enum RequiredMove {
    /// Go to another level.
    #[default]
    #[strum(serialize = "go")]
    Go,
    /// Not move.
    #[strum(serialize = "hold")]
    Hold,
    /// Leave its level and come back to it, or not leave it at all.
    #[strum(serialize = "come back")]
    ComeBack,
}

words!(pub RequiredMove);

/// `"0.9 A to 1.2 A"`, `"1 A ± 10 %"`, `"at least 0.9 A"` or `"at most 50 mA"`
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LevelRange(pub(super) Limit);

impl FromStr for LevelRange {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let text = text.trim();
        if let Some(least) = text.strip_prefix("at least ") {
            return least.parse::<Measure>().map(|least| Self(Limit::at_least(least)));
        }
        if let Some(most) = text.strip_prefix("at most ") {
            return most.parse::<Measure>().map(|most| Self(Limit::at_most(most)));
        }
        match text.contains('±') || text.contains("+/-") || text.contains("+-") {
            true => Limit::nominal(text).map(Self),
            false => Limit::between(text).map(Self),
        }
    }
}

from_text!(LevelRange);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::check_every_word;

    #[test]
    fn levels_are_read_in_each_form() {
        for (text, low, high) in [
            ("0.9 A to 1.2 A", Some(0.9), Some(1.2)),
            ("at least 900 mA", Some(0.9), None),
            ("at most 50 mA", None, Some(0.05)),
            ("1 A ± 10 %", Some(0.9), Some(1.1)),
        ] {
            let LevelRange(limit) = text.parse().unwrap();
            assert_eq!((limit.low, limit.high), (low, high), "{text}");
        }
        assert!("1 A".parse::<LevelRange>().is_err());
    }

    #[test]
    fn words_are_read_back() {
        check_every_word::<ChangeDirection>();
        check_every_word::<RequiredMove>();
    }
}
