//! The keys of a `pattern` decoder, and what they may say together.

use std::{collections::BTreeMap, ops::Range};

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use crate::{
    mistake::{Mistake, Source},
    protocol::{
        Action, RequestId,
        counters::{CounterBits, CountersRule, TimeUnit},
        decode::{display::DisplayEffects, scale::ScaleFactor},
        names::{MOST_NAMES, ValueName},
        number::OverloadWords,
        poll::PollRule,
        tables::{KindRule, PartContext},
        values::BytePattern,
    },
    words::words,
};

/// `[decode]` as the file has it. Files name groups, requests and values; the rule below holds their numbers.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct PatternTable {
    message: Spanned<Vec<MessageTable>>,
    #[serde(default)]
    overload: OverloadWords,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MessageTable {
    pattern: Spanned<BytePattern>,
    #[serde(default)]
    answers: Vec<Spanned<String>>,
    #[serde(default)]
    words: BTreeMap<String, Spanned<BTreeMap<String, DisplayEffects>>>,
    #[serde(default)]
    value: Vec<Spanned<MessageValueTable>>,
    time: Option<Spanned<TimeGroup>>,
    sequence: Option<Spanned<SequenceGroup>>,
    action: Option<Action>,
    identity: Option<Spanned<String>>,
    confirmed_by: Option<Spanned<String>>,
    sender: Option<Spanned<SenderGroup>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SenderGroup {
    group: String,
    usual: Vec<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct MessageValueTable {
    name: ValueName,
    group: Option<String>,
    unit: DisplayEffects,
    unit_group: Option<String>,
    form: TextForm,
    scale: ScaleFactor,
    offset: f64,
    minus: Option<MinusGroup>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MinusGroup {
    group: String,
    is: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeGroup {
    group: String,
    unit: TimeUnit,
    bits: Option<CounterBits>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SequenceGroup {
    group: String,
    bits: Option<CounterBits>,
}

/// What such text is.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct PatternRule {
    /// What the values are called.
    pub value_names: Vec<String>,
    pub counters: CountersRule,
    /// The first that matches is taken.
    pub(super) messages: Vec<MessageRule>,
    pub(super) overload: OverloadWords,
}

/// One message of a meter.
///
/// One without values gives the function and unit of the values in later messages, as the answer to a
/// question for the function does. One without words and identity too is ignored.
#[derive(Debug, Clone)]
pub(super) struct MessageRule {
    pub(super) pattern: BytePattern,
    /// The requests that it answers; it may come at any time where there are none.
    pub(super) answers: Vec<RequestId>,
    pub(super) words: Vec<GroupWords>,
    pub(super) values: Vec<MessageValueRule>,
    pub(super) time: Option<(usize, TimeUnit)>,
    pub(super) sequence: Option<usize>,
    pub(super) action: Option<Action>,
    /// A group with the meter's identification.
    pub(super) identity: Option<usize>,
    /// Its values are kept only when the next answer to this request gives the function that the one before gave.
    pub(super) confirmed_by: Option<RequestId>,
    pub(super) sender: Option<SenderRule>,
}

/// Who of several on one line sent a message.
#[derive(Debug, Clone)]
pub(super) struct SenderRule {
    pub(super) group: usize,
    /// Values of these have their names; values of others have the sender behind it.
    pub(super) usual: Vec<Vec<u8>>,
}

/// What stands between the name of a value and its sender.
pub(super) const FROM: &str = " from ";

/// A group whose text gives the function, unit or annunciators of the values.
#[derive(Debug, Clone)]
pub(super) struct GroupWords {
    pub(super) group: usize,
    pub(super) is: Vec<(Vec<u8>, DisplayEffects)>,
}

/// A value of a message.
#[derive(Debug, Clone)]
pub(super) struct MessageValueRule {
    pub(super) name: u16,
    pub(super) group: usize,
    /// A group with its unit, which is read like one behind the number.
    pub(super) unit: Option<usize>,
    pub(super) form: TextForm,
    pub(super) scale: ScaleFactor,
    pub(super) offset: f64,
    pub(super) effects: DisplayEffects,
    /// A group and its text for values below zero.
    pub(super) minus: Option<(usize, Vec<u8>)>,
}

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub(in crate::protocol) enum TextForm {
    /// As people write it, perhaps with its unit, or a word for a value beyond the range.
    #[default]
    #[strum(serialize = "decimal")]
    Decimal,
    /// Hexadecimal digits, perhaps with spaces.
    #[strum(serialize = "hex")]
    Hex,
    /// `dddmm.mmm`: degrees and minutes without anything between them (NMEA 0183).
    #[strum(serialize = "degrees-minutes")]
    DegreesMinutes,
}
words!(TextForm);

impl PatternRule {
    /// Whether a name is that of a value with its sender behind it.
    pub(in crate::protocol) fn names_a_sender(&self, name: &str) -> bool {
        let has_senders = self.messages.iter().any(|message| message.sender.is_some());
        has_senders
            && name.split_once(FROM).is_some_and(|(value, _)| self.value_names.iter().any(|known| known == value))
    }
}

impl KindRule for PatternRule {
    type Keys = PatternTable;

    /// Finds the groups, requests and values that the file names.
    fn from_keys(keys: PatternTable, context: PartContext<'_>) -> Result<Self, Mistake> {
        let span = keys.message.span();
        let mut rule = Self {
            value_names: Vec::new(),
            counters: CountersRule::default(),
            messages: Vec::new(),
            overload: keys.overload,
        };
        for message in keys.message.into_inner() {
            let counters = message.counters();
            let message = message.completed(&mut rule.value_names, context)?;
            rule.messages.push(message);
            rule.counters = rule.counters.with(counters);
        }
        if rule.messages.is_empty() || rule.value_names.len() > MOST_NAMES {
            let message = format!("expected at least one message, and at most {MOST_NAMES} values");
            return Err(context.source.mistake(span, message));
        }
        Ok(rule)
    }
}

impl MessageTable {
    fn counters(&self) -> CountersRule {
        let time = self.time.as_ref().map(Spanned::get_ref);
        let sequence = self.sequence.as_ref().and_then(|sequence| sequence.get_ref().bits);
        CountersRule::new(time.and_then(|time| Some((time.unit, time.bits?))), sequence)
    }

    fn completed(self, names: &mut Vec<String>, context: PartContext<'_>) -> Result<MessageRule, Mistake> {
        let PartContext { source, poll, .. } = context;
        let span = self.pattern.span();
        let groups = Groups { pattern: self.pattern.into_inner(), source };
        let answers = self.answers.iter().map(|name| PollRule::find(poll, name, source));
        let answers = answers.collect::<Result<_, _>>()?;
        let words = self.words.into_iter().map(|(name, is)| {
            let group = groups.find(&name, is.span())?;
            Ok(GroupWords {
                group,
                is: is.into_inner().into_iter().map(|(text, shows)| (text.into_bytes(), shows)).collect(),
            })
        });
        let words = words.collect::<Result<Vec<GroupWords>, Mistake>>()?;
        let mut tables = self.value;
        if tables.is_empty() && groups.index("value").is_some() {
            tables.push(Spanned::new(span, MessageValueTable::default()));
        }
        let mut values: Vec<MessageValueRule> =
            tables.into_iter().map(|value| completed_value(value, &groups, names)).collect::<Result<_, _>>()?;
        let unit_group = groups.index("unit").filter(|unit| words.iter().all(|words| words.group != *unit));
        for value in &mut values {
            value.unit = value.unit.or(unit_group);
        }
        let time = self.time.map(|time| Ok((groups.find(&time.get_ref().group, time.span())?, time.get_ref().unit)));
        let sequence = self.sequence.map(|sequence| groups.find(&sequence.get_ref().group, sequence.span()));
        let identity = self.identity.map(|name| groups.find(name.get_ref(), name.span()));
        let confirmed_by = self.confirmed_by.map(|name| PollRule::find(poll, &name, source));
        let sender = self.sender.map(|sender| {
            let (span, sender) = (sender.span(), sender.into_inner());
            let usual = sender.usual.into_iter().map(String::into_bytes).collect();
            Ok(SenderRule { group: groups.find(&sender.group, span)?, usual })
        });
        Ok(MessageRule {
            answers,
            words,
            values,
            time: time.transpose()?,
            sequence: sequence.transpose()?,
            action: self.action,
            identity: identity.transpose()?,
            confirmed_by: confirmed_by.transpose()?,
            sender: sender.transpose()?,
            pattern: groups.pattern,
        })
    }
}

fn completed_value(
    value: Spanned<MessageValueTable>,
    groups: &Groups<'_>,
    names: &mut Vec<String>,
) -> Result<MessageValueRule, Mistake> {
    let (span, value) = (value.span(), value.into_inner());
    let group = |name: &str| groups.find(name, span.clone());
    let ValueName(name) = value.name;
    // Several messages may carry the same value.
    let number = names.iter().position(|known| *known == name).unwrap_or(names.len());
    if number == names.len() {
        names.push(name);
    }
    Ok(MessageValueRule {
        name: number as u16,
        group: group(value.group.as_deref().unwrap_or("value"))?,
        unit: value.unit_group.as_deref().map(group).transpose()?,
        form: value.form,
        scale: value.scale,
        offset: value.offset,
        effects: value.unit,
        minus: match value.minus {
            Some(minus) => Some((group(&minus.group)?, minus.is.into_bytes())),
            None => None,
        },
    })
}

/// The named groups of a message's pattern.
struct Groups<'a> {
    pattern: BytePattern,
    source: Source<'a>,
}

impl Groups<'_> {
    fn index(&self, name: &str) -> Option<usize> {
        self.pattern.capture_names().position(|known| known == Some(name))
    }

    fn find(&self, name: &str, span: Range<usize>) -> Result<usize, Mistake> {
        let missing = || self.source.mistake(span, format!("the pattern has no group (?<{name}>…)"));
        self.index(name).ok_or_else(missing)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words() {
        crate::protocol::tests::check_words::<TextForm>();
    }
}
