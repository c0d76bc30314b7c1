//! `[decode]` of binary frames: `fields`.

use std::ops::Range;

use serde::Deserialize;
use toml::Spanned;

use super::{
    file::{File, TimeUnit},
    shows::{FlagText, IsText, ShowsText},
};
use crate::{
    mistake::Mistake,
    protocol::{
        Action,
        checksum::ByteOrder,
        counters::CountersRule,
        decode::{FieldsRule, FlagRule, Linear, fields as binary},
    },
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FieldsText {
    length: Option<Spanned<usize>>,
    order: Option<ByteOrder>,
    #[serde(default)]
    value: Vec<Spanned<ValueText>>,
    #[serde(default)]
    codes: Vec<CodeText>,
    #[serde(default)]
    flags: Vec<FlagText>,
    time: Option<Spanned<TimeText>>,
    sequence: Option<SequenceText>,
    #[serde(default)]
    actions: Vec<ActionText>,
    scans: Option<Spanned<ScansText>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ValueText {
    name: Spanned<String>,
    at: Spanned<usize>,
    r#type: binary::FieldKind,
    order: Option<ByteOrder>,
    bits: Option<Spanned<(u32, u32)>>,
    scale: Option<Spanned<f64>>,
    #[serde(default)]
    offset: f64,
    unit: Option<Spanned<ShowsText>>,
    place: Option<i8>,
    minus: Option<Spanned<String>>,
    #[serde(default)]
    over: Vec<i64>,
    #[serde(default)]
    under: Vec<i64>,
    #[serde(default)]
    absent: Vec<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CodeText {
    at: Spanned<usize>,
    r#type: binary::FieldKind,
    order: Option<ByteOrder>,
    bits: Option<Spanned<(u32, u32)>>,
    is: IsText,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimeText {
    at: Spanned<usize>,
    r#type: binary::FieldKind,
    order: Option<ByteOrder>,
    unit: TimeUnit,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SequenceText {
    at: Spanned<usize>,
    r#type: binary::FieldKind,
    order: Option<ByteOrder>,
    bits: Option<Spanned<(u32, u32)>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ActionText {
    bit: Spanned<String>,
    does: Action,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ScansText {
    at: Spanned<usize>,
    length: usize,
    count: Option<CountText>,
    apart: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum CountText {
    Always(usize),
    Told(ToldText),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ToldText {
    at: usize,
    r#type: binary::FieldKind,
    order: Option<ByteOrder>,
}

/// What a field of the file says, wherever it stands.
struct FieldText<'a> {
    at: &'a Spanned<usize>,
    kind: binary::FieldKind,
    order: Option<ByteOrder>,
    bits: Option<&'a Spanned<(u32, u32)>>,
}

impl File<'_> {
    pub(super) fn fields_rule(&self, fields: FieldsText) -> Result<(FieldsRule, CountersRule), Mistake> {
        let order = fields.order;
        let field = |text: FieldText<'_>| self.field(text, order);
        let mut names: Vec<String> = Vec::new();
        for value in &fields.value {
            let name = &value.get_ref().name;
            if names.contains(name.get_ref()) {
                return Err(self.mistake(name.span(), format!("found the name \"{}\" twice", name.get_ref())));
            }
            names.push(self.value_name(name.get_ref(), name.span())?);
        }
        if names.len() > crate::protocol::names::MOST_NAMES {
            return Err(self.mistake(0..0, "found more values than a frame can have"));
        }
        let values =
            fields.value.iter().map(|value| self.field_value(value.get_ref(), order)).collect::<Result<Vec<_>, _>>()?;
        let codes = fields.codes.iter().map(|code| {
            let text = FieldText { at: &code.at, kind: code.r#type, order: code.order, bits: code.bits.as_ref() };
            Ok(binary::FieldCodeRule { field: self.whole(field(text)?, code.at.span())?, is: self.codes(&code.is)? })
        });
        let codes = codes.collect::<Result<Vec<_>, Mistake>>()?;
        let mut counters = CountersRule::default();
        let time = match &fields.time {
            None => None,
            Some(text) => {
                let time = text.get_ref();
                let field = field(FieldText { at: &time.at, kind: time.r#type, order: time.order, bits: None })?;
                counters.time_period_s = (!field.kind.is_float()).then(|| time.unit.period_s(field.width()));
                Some((field, time.unit.in_a_second()))
            }
        };
        let sequence = match &fields.sequence {
            None => None,
            Some(text) => {
                let told = FieldText { at: &text.at, kind: text.r#type, order: text.order, bits: text.bits.as_ref() };
                let field = self.whole(field(told)?, text.at.span())?;
                counters.sequence_bits = field.width();
                Some(field)
            }
        };
        let actions = fields.actions.iter().map(|action| Ok((self.bit(&action.bit)?, action.does)));
        let rule = FieldsRule {
            length: 0,
            values,
            codes,
            flags: self.flags(fields.flags, &names)?,
            names,
            time,
            sequence,
            actions: actions.collect::<Result<Vec<_>, Mistake>>()?,
            scans: fields.scans.as_ref().map(|scans| self.scans(scans, order)).transpose()?,
        };
        let length = self.fields_length(&rule, fields.length.as_ref())?;
        Ok((FieldsRule { length, ..rule }, counters))
    }

    fn field(&self, text: FieldText<'_>, order: Option<ByteOrder>) -> Result<binary::BinaryField, Mistake> {
        let size = text.kind.size();
        let order = match text.order.or(order) {
            None if size > 1 => return Err(self.mistake(text.at.span(), "expected `order`: \"little\" or \"big\"")),
            order => order.unwrap_or(ByteOrder::Big),
        };
        let bits = match text.bits {
            None => None,
            Some(bits) => {
                let (low, count) = *bits.get_ref();
                let fits = count >= 1 && low.checked_add(count).is_some_and(|end| end <= 8 * size as u32);
                if !fits || text.kind.is_float() {
                    return Err(self.mistake(bits.span(), "expected the lowest bit and a count that fit the type"));
                }
                Some((low, count))
            }
        };
        Ok(binary::BinaryField { at: self.place(text.at)?, kind: text.kind, order, bits })
    }

    fn whole(&self, field: binary::BinaryField, span: Range<usize>) -> Result<binary::BinaryField, Mistake> {
        if field.kind.is_float() { Err(self.mistake(span, "expected a whole number here")) } else { Ok(field) }
    }

    fn field_value(&self, value: &ValueText, order: Option<ByteOrder>) -> Result<binary::FieldValueRule, Mistake> {
        let scale = match &value.scale {
            Some(scale) if !scale.get_ref().is_finite() || *scale.get_ref() == 0.0 => {
                return Err(self.mistake(scale.span(), "expected a scale other than 0"));
            }
            scale => scale.as_ref().map_or(1.0, |scale| *scale.get_ref()),
        };
        let text = FieldText { at: &value.at, kind: value.r#type, order: value.order, bits: value.bits.as_ref() };
        Ok(binary::FieldValueRule {
            field: self.field(text, order)?,
            linear: Linear::new(scale, value.offset),
            effects: value.unit.as_ref().map_or(Ok(Vec::new()), |unit| self.effects(unit))?,
            place: value.place,
            minus: value.minus.as_ref().map(|bit| self.bit(bit)).transpose()?,
            over: value.over.clone(),
            under: value.under.clone(),
            absent: value.absent.clone(),
        })
    }

    fn scans(&self, scans: &Spanned<ScansText>, order: Option<ByteOrder>) -> Result<binary::ScansRule, Mistake> {
        let (span, scans) = (scans.span(), scans.get_ref());
        if scans.length == 0 {
            return Err(self.mistake(span, "expected a length of at least one byte"));
        }
        let count = match &scans.count {
            None => binary::ScanCount::Filling,
            Some(CountText::Always(count)) => binary::ScanCount::Always(*count),
            Some(CountText::Told(told)) => {
                let at = Spanned::new(span.clone(), told.at);
                let text = FieldText { at: &at, kind: told.r#type, order: told.order, bits: None };
                binary::ScanCount::Told(self.whole(self.field(text, order)?, span)?)
            }
        };
        let apart = scans.apart.as_ref().map(|apart| self.duration(apart)).transpose()?;
        let apart_s = apart.map_or(0.0, |apart| apart.as_secs_f64());
        Ok(binary::ScansRule { at: self.place(&scans.at)?, length: scans.length, count, apart_s })
    }

    /// The length of a frame, or of what is before its scans.
    fn fields_length(&self, rule: &FieldsRule, length: Option<&Spanned<usize>>) -> Result<usize, Mistake> {
        let span = length.map_or(0..0, Spanned::span);
        let in_values =
            rule.values.iter().map(|value| value.field.bytes().end.max(value.minus.map_or(0, |bit| bit.byte + 1)));
        let values = in_values.max().unwrap_or(0);
        let told = match rule.scans.map(|scans| scans.count) {
            Some(binary::ScanCount::Told(field)) => Some(field.bytes().end),
            _ => None,
        };
        let head = (rule.codes.iter().map(|code| code.field.bytes().end))
            .chain(rule.flags.iter().map(|flag| FlagRule::last_byte(flag) + 1))
            .chain(rule.actions.iter().map(|(bit, _)| bit.byte + 1))
            .chain(rule.time.map(|(field, _)| field.bytes().end))
            .chain(rule.sequence.map(|field| field.bytes().end))
            .chain(told)
            .max()
            .unwrap_or(0);
        match rule.scans {
            Some(scans) if values > scans.length => {
                Err(self.mistake(span, format!("byte {values} of a scan is used, expected a length that holds it")))
            }
            Some(scans) if head > scans.at => {
                Err(self.mistake(span, format!("byte {head} is used, expected the scans to begin behind it")))
            }
            Some(scans) => Ok(scans.at),
            None => {
                let last = head.max(values);
                let length = length.map_or(last, |length| *length.get_ref());
                let wrong = || self.mistake(span, format!("byte {last} is used, expected a length that holds it"));
                (length >= last).then_some(length).ok_or_else(wrong)
            }
        }
    }
}
