//! `[decode]` of text with messages of its own: `pattern`.

use std::collections::BTreeMap;

use regex::bytes::Regex;
use serde::Deserialize;
use toml::Spanned;

use super::{
    file::{File, TimeUnit, overload},
    shows::{IsText, ShowsText},
};
use crate::{
    mistake::Mistake,
    protocol::{
        Action,
        counters::CountersRule,
        decode::{
            Linear, PatternRule,
            pattern::{self as text_pattern, TextForm, group_of},
        },
        names::MOST_NAMES,
        poll::PollRule,
    },
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PatternText {
    message: Spanned<Vec<MessageText>>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MessageText {
    pattern: Spanned<String>,
    #[serde(default)]
    answers: Vec<Spanned<String>>,
    #[serde(default)]
    words: BTreeMap<String, Spanned<IsText>>,
    #[serde(default)]
    value: Vec<Spanned<ValueText>>,
    time: Option<Spanned<TimeText>>,
    sequence: Option<Spanned<SequenceText>>,
    action: Option<Action>,
    identity: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ValueText {
    name: Option<Spanned<String>>,
    group: Option<String>,
    unit: Option<Spanned<ShowsText>>,
    unit_group: Option<String>,
    #[serde(default)]
    form: TextForm,
    #[serde(default = "one")]
    scale: f64,
    #[serde(default)]
    offset: f64,
    minus: Option<MinusText>,
}

fn one() -> f64 {
    1.0
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MinusText {
    group: String,
    is: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeText {
    group: String,
    unit: TimeUnit,
    bits: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SequenceText {
    group: String,
    bits: Option<Spanned<u32>>,
}

impl File<'_> {
    pub(super) fn pattern_rule(
        &self,
        pattern: PatternText,
        poll: Option<&PollRule>,
    ) -> Result<(PatternRule, CountersRule), Mistake> {
        let span = pattern.message.span();
        let (mut names, mut counters, mut messages) = (Vec::new(), CountersRule::default(), Vec::new());
        for message in pattern.message.into_inner() {
            messages.push(self.message(message, poll, &mut names, &mut counters)?);
        }
        if messages.is_empty() || names.len() > MOST_NAMES {
            return Err(self.mistake(span, "expected at least one message, and a sensible number of values"));
        }
        Ok((PatternRule { names, messages, overload: overload(pattern.overload) }, counters))
    }

    fn message(
        &self,
        message: MessageText,
        poll: Option<&PollRule>,
        names: &mut Vec<String>,
        counters: &mut CountersRule,
    ) -> Result<text_pattern::MessageRule, Mistake> {
        let pattern = self.pattern(&message.pattern)?;
        let span = message.pattern.span();
        let group = |name: &str, span| self.group(&pattern, name, span);
        let answers = message.answers.iter().map(|name| {
            let found = name.get_ref();
            let wrong =
                || self.mistake(name.span(), format!("found \"{found}\", expected the name of a request of [poll]"));
            poll.and_then(|poll| poll.named(found)).ok_or_else(wrong)
        });
        let words = message.words.iter().map(|(name, is)| {
            let words = is.get_ref().iter().map(|(word, shows)| Ok((word.clone().into_bytes(), self.effects(shows)?)));
            Ok(text_pattern::WordsRule { group: group(name, is.span())?, is: words.collect::<Result<_, Mistake>>()? })
        });
        let words = words.collect::<Result<Vec<_>, Mistake>>()?;
        let mut values = Vec::new();
        for value in &message.value {
            values.push(self.message_value(value, &pattern, names)?);
        }
        if message.value.is_empty() && group_of(&pattern, "value").is_some() {
            let text = ValueText {
                name: None,
                group: None,
                unit: None,
                unit_group: None,
                form: TextForm::Decimal,
                scale: 1.0,
                offset: 0.0,
                minus: None,
            };
            values.push(self.message_value(&Spanned::new(span, text), &pattern, names)?);
        }
        let unit_group = group_of(&pattern, "unit").filter(|unit| words.iter().all(|words| words.group != *unit));
        for value in &mut values {
            value.unit = value.unit.or(unit_group);
        }
        let time = match &message.time {
            None => None,
            Some(time) => Some((group(&time.get_ref().group, time.span())?, time.get_ref().unit.in_a_second())),
        };
        let sequence = message.sequence.as_ref().map(|text| group(&text.get_ref().group, text.span())).transpose()?;
        let identity = message.identity.as_ref().map(|name| group(name.get_ref(), name.span())).transpose()?;
        self.add_counters(&message, counters)?;
        Ok(text_pattern::MessageRule {
            answers: answers.collect::<Result<_, _>>()?,
            words,
            values,
            time,
            sequence,
            action: message.action,
            identity,
            pattern,
        })
    }

    /// Messages share their counters: the widths told by any hold for all.
    fn add_counters(&self, message: &MessageText, counters: &mut CountersRule) -> Result<(), Mistake> {
        let time = message.time.as_ref().map(Spanned::get_ref);
        let time_bits = time.and_then(|time| Some((time.unit, time.bits.as_ref()?)));
        let sequence_bits = message.sequence.as_ref().and_then(|sequence| sequence.get_ref().bits.as_ref());
        let own = self.counters(time_bits, sequence_bits)?;
        counters.time_period_s = counters.time_period_s.or(own.time_period_s);
        counters.sequence_bits = counters.sequence_bits.min(own.sequence_bits);
        Ok(())
    }

    fn message_value(
        &self,
        value: &Spanned<ValueText>,
        pattern: &Regex,
        names: &mut Vec<String>,
    ) -> Result<text_pattern::MessageValueRule, Mistake> {
        let (span, value) = (value.span(), value.get_ref());
        let group = |name: &str| self.group(pattern, name, span.clone());
        let name = match &value.name {
            Some(name) => self.value_name(name.get_ref(), name.span())?,
            None => "value".to_owned(),
        };
        // Messages may tell the same value.
        let number = names.iter().position(|known| *known == name).unwrap_or(names.len());
        if number == names.len() {
            names.push(name);
        }
        if !value.scale.is_finite() || value.scale == 0.0 {
            return Err(self.mistake(span, "expected a scale other than 0"));
        }
        Ok(text_pattern::MessageValueRule {
            name: number as u16,
            group: group(value.group.as_deref().unwrap_or("value"))?,
            unit: value.unit_group.as_deref().map(group).transpose()?,
            form: value.form,
            linear: Linear::new(value.scale, value.offset),
            effects: value.unit.as_ref().map_or(Ok(Vec::new()), |unit| self.effects(unit))?,
            minus: match &value.minus {
                Some(minus) => Some((group(&minus.group)?, minus.is.clone().into_bytes())),
                None => None,
            },
        })
    }

    fn group(&self, pattern: &Regex, name: &str, span: std::ops::Range<usize>) -> Result<usize, Mistake> {
        let wrong = || self.mistake(span, format!("the pattern has no group (?<{name}>…)"));
        group_of(pattern, name).ok_or_else(wrong)
    }
}
