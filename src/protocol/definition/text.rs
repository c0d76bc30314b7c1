//! `[decode]` of text that needs no description of its own: columns, pairs, JSON, a number.

use serde::Deserialize;
use toml::Spanned;

use super::file::{File, TimeUnit, overload};
use crate::{
    mistake::Mistake,
    protocol::{
        counters::CountersRule,
        decode::{ColumnsRule, HeaderRule, JsonRule, NumberRule, PairsRule, Separator, StampKeys, TimeColumn},
        names::MOST_NAMES,
    },
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ColumnsText {
    separator: Option<Spanned<String>>,
    #[serde(default)]
    header: HeaderRule,
    names: Option<Spanned<Vec<String>>>,
    time: Option<TimeColumnText>,
    sequence: Option<SequenceColumnText>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeColumnText {
    column: Spanned<usize>,
    unit: TimeUnit,
    bits: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SequenceColumnText {
    column: Spanned<usize>,
    bits: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeKeyText {
    name: String,
    unit: TimeUnit,
    bits: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SequenceKeyText {
    name: String,
    bits: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PairsText {
    separator: Option<Spanned<String>>,
    time: Option<TimeKeyText>,
    sequence: Option<SequenceKeyText>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct JsonText {
    time: Option<TimeKeyText>,
    sequence: Option<SequenceKeyText>,
    overload: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NumberText {
    name: Option<Spanned<String>>,
    overload: Option<Vec<String>>,
}

impl File<'_> {
    pub(super) fn columns_rule(&self, columns: ColumnsText) -> Result<(ColumnsRule, CountersRule), Mistake> {
        let names = match columns.names {
            None => None,
            Some(names) if columns.header != HeaderRule::None => {
                return Err(self.mistake(names.span(), "found names beside a header, expected one of them"));
            }
            Some(names) => Some(self.value_names(&names)?),
        };
        let time_bits = columns.time.as_ref().and_then(|time| Some((time.unit, time.bits.as_ref()?)));
        let counters =
            self.counters(time_bits, columns.sequence.as_ref().and_then(|sequence| sequence.bits.as_ref()))?;
        let time = match columns.time {
            Some(time) => Some(TimeColumn { column: self.column(&time.column)?, in_a_second: time.unit.in_a_second() }),
            None => None,
        };
        let sequence = columns.sequence.map(|sequence| self.column(&sequence.column)).transpose()?;
        let apart = [time.map(|time| time.column), sequence];
        let values = names.iter().flatten().enumerate();
        let values = values.filter(|(at, name)| !name.is_empty() && !apart.contains(&Some(*at)));
        let values = names.is_some().then(|| values.map(|(_, name)| name.clone()).collect());
        let rule = ColumnsRule {
            separator: self.separator(columns.separator)?,
            header: columns.header,
            names,
            values,
            time,
            sequence,
            overload: overload(columns.overload),
        };
        Ok((rule, counters))
    }

    pub(super) fn pairs_rule(&self, pairs: PairsText) -> Result<(PairsRule, CountersRule), Mistake> {
        let (keys, counters) = self.keys(pairs.time, pairs.sequence)?;
        let separator = self.separator(pairs.separator)?;
        Ok((PairsRule { separator, keys, overload: overload(pairs.overload) }, counters))
    }

    pub(super) fn json_rule(&self, json: JsonText) -> Result<(JsonRule, CountersRule), Mistake> {
        let (keys, counters) = self.keys(json.time, json.sequence)?;
        Ok((JsonRule { keys, overload: overload(json.overload) }, counters))
    }

    pub(super) fn number_rule(&self, number: NumberText) -> Result<NumberRule, Mistake> {
        Ok(NumberRule { name: self.only_name(number.name)?, overload: overload(number.overload) })
    }

    /// A column counted from 1, as files have it, counted from 0.
    fn column(&self, column: &Spanned<usize>) -> Result<usize, Mistake> {
        let wrong = || self.mistake(column.span(), "expected a column counted from 1");
        column.get_ref().checked_sub(1).filter(|column| *column < MOST_NAMES).ok_or_else(wrong)
    }

    fn keys(
        &self,
        time: Option<TimeKeyText>,
        sequence: Option<SequenceKeyText>,
    ) -> Result<(StampKeys, CountersRule), Mistake> {
        let time_bits = time.as_ref().and_then(|time| Some((time.unit, time.bits.as_ref()?)));
        let counters = self.counters(time_bits, sequence.as_ref().and_then(|sequence| sequence.bits.as_ref()))?;
        let time = time.map(|time| (time.name, time.unit.in_a_second()));
        Ok((StampKeys { time, sequence: sequence.map(|sequence| sequence.name) }, counters))
    }

    /// Where counters wrap around that tell their width.
    pub(super) fn counters(
        &self,
        time: Option<(TimeUnit, &Spanned<u32>)>,
        sequence: Option<&Spanned<u32>>,
    ) -> Result<CountersRule, Mistake> {
        let mut counters = CountersRule::default();
        if let Some((unit, bits)) = time {
            counters.time_period_s = Some(unit.period_s(self.bits(bits)?));
        }
        if let Some(bits) = sequence {
            counters.sequence_bits = self.bits(bits)?;
        }
        Ok(counters)
    }

    fn separator(&self, separator: Option<Spanned<String>>) -> Result<Separator, Mistake> {
        let Some(separator) = separator else { return Ok(Separator::Any) };
        match separator.get_ref().as_str() {
            "any" => Ok(Separator::Any),
            text if text.is_empty() || text.contains(|c: char| c.is_ascii_alphanumeric() || "+-.\r\n".contains(c)) => {
                Err(self.mistake(
                    separator.span(),
                    format!("found the separator \"{text}\", expected \"any\" or text that is in no number"),
                ))
            }
            text => Ok(Separator::Text(text.as_bytes().to_vec())),
        }
    }
}
