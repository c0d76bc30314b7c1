//! The keys of a `fields` decoder, and what they may say together.

use std::{collections::BTreeMap, fmt, time::Duration};

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor, value::MapAccessDeserializer};
use toml::Spanned;

use super::binary_field::{BinaryField, BitRange, FieldKind};
use crate::{
    mistake::{Mistake, Source},
    protocol::{
        Action,
        counters::{CounterBits, TimeUnit},
        decode::{
            display::DisplayEffects,
            flags::{FlagRule, unknown_value},
            scale::ScaleFactor,
        },
        names::{MOST_NAMES, ValueName},
        tables::{KindRule, PartContext},
        values::{Bit, ByteIndex, ByteOrder, ORDER_EXPECTED, duration},
    },
};

/// What such a frame is.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct FieldsRule {
    /// Bytes of the frame; as many as are used where the file does not say.
    pub(super) length: Option<Spanned<usize>>,
    /// Of all numbers that do not give their own.
    pub(super) order: Option<ByteOrder>,
    /// Their places count from the beginning of their scan.
    #[serde(default)]
    pub(super) value: Vec<FieldValueRule>,
    /// Codes and flags that concern one value alone are moved to it when the file is read.
    #[serde(default)]
    pub(super) codes: Vec<FieldCodeRule>,
    #[serde(default)]
    pub(super) flags: Vec<FlagRule>,
    pub(super) time: Option<FieldTimeRule>,
    pub(super) sequence: Option<FieldNumber>,
    #[serde(default)]
    pub(super) actions: Vec<ButtonRule>,
    pub(super) scans: Option<Spanned<ScansRule>>,
    /// Bytes of the frame: exactly these, or those before its scans.
    #[serde(skip)]
    pub(super) frame_length: usize,
}

/// Several scans in one frame, one behind the other.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScansRule {
    /// Where the first begins.
    pub(super) at: ByteIndex,
    /// Bytes of each.
    pub(super) length: usize,
    #[serde(default)]
    pub(super) count: ScanCount,
    /// From one to the next. The frame's time is that of the first.
    #[serde(default, deserialize_with = "duration")]
    pub(super) apart: Duration,
}

/// How many scans: in files a number or a number's place, or nothing.
#[derive(Debug, Clone, Default)]
pub(super) enum ScanCount {
    Always(usize),
    InFrame(FieldNumber),
    /// As many as fill the frame.
    #[default]
    Filling,
}

impl<'de> Deserialize<'de> for ScanCount {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct CountVisitor;
        impl<'de> Visitor<'de> for CountVisitor {
            type Value = ScanCount;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a whole number, 0 or more, or { at, type }")
            }

            fn visit_i64<E: serde::de::Error>(self, count: i64) -> Result<ScanCount, E> {
                let wrong = |_| E::invalid_value(serde::de::Unexpected::Signed(count), &self);
                usize::try_from(count).map(ScanCount::Always).map_err(wrong)
            }

            fn visit_map<M: MapAccess<'de>>(self, map: M) -> Result<ScanCount, M::Error> {
                FieldNumber::deserialize(MapAccessDeserializer::new(map)).map(ScanCount::InFrame)
            }
        }
        from.deserialize_any(CountVisitor)
    }
}

/// Declares tables with the place of a number, beside keys of their own. (serde's `flatten` loses the places of mistakes.)
macro_rules! tables_with_a_number {
    ($($(#[$doc:meta])* $table:ident { $($own:tt)* })+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        pub(super) struct $table {
            pub(super) at: Spanned<ByteIndex>,
            pub(super) r#type: FieldKind,
            pub(super) order: Option<ByteOrder>,
            pub(super) bits: Option<Spanned<BitRange>>,
            $($own)*
        }

        impl $table {
            /// The number at this place.
            #[inline]
            pub(super) fn field(&self) -> BinaryField {
                BinaryField {
                    at: self.at.get_ref().0,
                    kind: self.r#type,
                    order: self.order.unwrap_or(ByteOrder::Big),
                    bits: self.bits.as_ref().map(|bits| *bits.get_ref()),
                }
            }

            /// Takes over the order of all numbers where it gives none, and checks what concerns several keys.
            fn complete(&mut self, order: Option<ByteOrder>, source: Source<'_>) -> Result<(), Mistake> {
                self.order = self.order.or(order);
                let size = self.r#type.size();
                if self.order.is_none() && size > 1 {
                    return Err(source.mistake(self.at.span(), ORDER_EXPECTED));
                }
                let Some(bits) = &self.bits else { return Ok(()) };
                let BitRange { lowest, count } = *bits.get_ref();
                let fits = count >= 1 && lowest.checked_add(count).is_some_and(|end| end <= 8 * size as u32);
                if !fits || self.r#type.is_float() {
                    return Err(source.mistake(bits.span(), "expected the lowest bit and a count that fit the type"));
                }
                Ok(())
            }
        }
    )+};
}

tables_with_a_number! {
    /// A number alone.
    FieldNumber {}

    /// The device's time.
    FieldTimeRule {
        pub(super) unit: TimeUnit,
    }

    /// A number whose values give the function or unit of the frame's values.
    FieldCodeRule {
        pub(super) is: FieldCodes,
        /// The only value that it concerns; all where none is named.
        pub(super) of: Option<Spanned<String>>,
    }

    /// A value of a frame.
    FieldValueRule {
        pub(super) name: Spanned<ValueName>,
        #[serde(default)]
        pub(super) scale: ScaleFactor,
        #[serde(default)]
        pub(super) offset: f64,
        #[serde(default)]
        pub(super) unit: DisplayEffects,
        /// What its last digit is worth, where the scale does not give it.
        pub(super) place: Option<i8>,
        /// A bit that is set below zero.
        pub(super) minus: Option<Bit>,
        /// Raw numbers for a value beyond the range.
        #[serde(default)]
        pub(super) over: Vec<i64>,
        #[serde(default)]
        pub(super) under: Vec<i64>,
        /// Raw numbers for no value.
        #[serde(default)]
        pub(super) absent: Vec<i64>,
        /// What the display shows beside this value alone.
        #[serde(skip)]
        pub(super) flags: Vec<FlagRule>,
        /// Codes that concern this value alone.
        #[serde(skip)]
        pub(super) codes: Vec<FieldCodeRule>,
    }
}

/// Each value of a code with what it means; `7`, `-1` or `0x3b` in files.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(try_from = "BTreeMap<String, DisplayEffects>")]
pub(super) struct FieldCodes(pub(super) Vec<(i64, DisplayEffects)>);

impl TryFrom<BTreeMap<String, DisplayEffects>> for FieldCodes {
    type Error = String;

    fn try_from(codes: BTreeMap<String, DisplayEffects>) -> Result<Self, String> {
        let number = |text: &str| match text.strip_prefix("0x") {
            Some(digits) => i64::from_str_radix(digits, 16).ok(),
            None => text.parse().ok(),
        };
        let codes = codes.into_iter().map(|(text, shows)| {
            Ok((number(&text).ok_or_else(|| format!("found the code \"{text}\", expected a whole number"))?, shows))
        });
        codes.collect::<Result<_, String>>().map(Self)
    }
}

/// A bit that is set while a button is pressed.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ButtonRule {
    pub(super) bit: Bit,
    pub(super) does: Action,
}

impl KindRule for FieldsRule {
    type Keys = Self;

    fn from_keys(mut keys: Self, PartContext { source, .. }: PartContext<'_>) -> Result<Self, Mistake> {
        let order = keys.order;
        for (index, value) in keys.value.iter().enumerate() {
            let name = value.name.get_ref();
            if keys.value[..index].iter().any(|other| other.name.get_ref() == name) {
                return Err(source.mistake(value.name.span(), format!("found the name \"{}\" twice", name.0)));
            }
            if index == MOST_NAMES {
                return Err(source.mistake(value.name.span(), "found more values than a frame can have"));
            }
        }
        keys.value.iter_mut().try_for_each(|value| value.complete(order, source))?;
        for code in &mut keys.codes {
            code.complete(order, source)?;
            whole(code.field(), &code.at, source)?;
        }
        keys.time.iter_mut().try_for_each(|time| time.complete(order, source))?;
        if let Some(sequence) = &mut keys.sequence {
            sequence.complete(order, source)?;
            whole(sequence.field(), &sequence.at, source)?;
        }
        if let Some(scans) = &mut keys.scans {
            if scans.get_ref().length == 0 {
                return Err(source.mistake(scans.span(), "expected a length of at least one byte"));
            }
            if let ScanCount::InFrame(count) = &mut scans.get_mut().count {
                count.complete(order, source)?;
                whole(count.field(), &count.at, source)?;
            }
        }
        for code in std::mem::take(&mut keys.codes) {
            match &code.of {
                None => keys.codes.push(code),
                Some(of) => keys.value_of(of, source)?.codes.push(code),
            }
        }
        for flag in std::mem::take(&mut keys.flags) {
            match &flag.of {
                None => keys.flags.push(flag),
                Some(of) => keys.value_of(of, source)?.flags.push(flag),
            }
        }
        keys.frame_length = keys.checked_length(source)?;
        Ok(keys)
    }
}

impl FieldsRule {
    /// The value that a code or flag names.
    fn value_of(&mut self, of: &Spanned<String>, source: Source<'_>) -> Result<&mut FieldValueRule, Mistake> {
        let value = self.value.iter_mut().find(|value| value.name.get_ref().0 == *of.get_ref());
        value.ok_or_else(|| unknown_value(of, source))
    }

    /// The length of a frame, or of what is before its scans.
    fn checked_length(&self, source: Source<'_>) -> Result<usize, Mistake> {
        let mistake = |used: usize, expected: &str| {
            let span = self.length.as_ref().map_or(0..0, Spanned::span);
            Err(source.mistake(span, format!("byte {used} {expected}")))
        };
        let ends =
            self.value.iter().map(|value| value.field().bytes().end.max(value.minus.map_or(0, |bit| bit.byte + 1)));
        let in_values = ends.max().unwrap_or(0);
        let flags = self.flags.iter().chain(self.value.iter().flat_map(|value| &value.flags));
        let scans = self.scans.as_ref().map(Spanned::get_ref);
        let count = scans.and_then(|scans| match &scans.count {
            ScanCount::InFrame(count) => Some(count.field().bytes().end),
            ScanCount::Always(_) | ScanCount::Filling => None,
        });
        let codes = self.codes.iter().chain(self.value.iter().flat_map(|value| &value.codes));
        let in_head = (codes.map(|code| code.field().bytes().end))
            .chain(flags.map(|flag| flag.last_byte() + 1))
            .chain(self.actions.iter().map(|button| button.bit.byte + 1))
            .chain(self.time.iter().map(|time| time.field().bytes().end))
            .chain(self.sequence.iter().map(|sequence| sequence.field().bytes().end))
            .chain(count)
            .max()
            .unwrap_or(0);
        match scans {
            Some(scans) if in_values > scans.length => {
                mistake(in_values, "of a scan is used, expected a length that holds it")
            }
            Some(scans) if in_head > scans.at.0 => mistake(in_head, "is used, expected the scans to begin behind it"),
            Some(scans) => Ok(scans.at.0),
            None => {
                let used = in_head.max(in_values);
                let length = self.length.as_ref().map_or(used, |length| *length.get_ref());
                if length < used { mistake(used, "is used, expected a length that holds it") } else { Ok(length) }
            }
        }
    }

    /// The names of the values.
    pub(in crate::protocol::decode) fn value_names(&self) -> Vec<String> {
        self.value.iter().map(|value| value.name.get_ref().0.clone()).collect()
    }

    /// The device's time where its counter wraps around.
    pub(in crate::protocol::decode) fn time_counter(&self) -> Option<(TimeUnit, CounterBits)> {
        let time = self.time.as_ref().filter(|time| !time.r#type.is_float())?;
        Some((time.unit, CounterBits::nearest(time.field().width() as usize)))
    }

    pub(in crate::protocol::decode) fn sequence_counter(&self) -> Option<CounterBits> {
        self.sequence.as_ref().map(|sequence| CounterBits::nearest(sequence.field().width() as usize))
    }
}

fn whole(field: BinaryField, at: &Spanned<ByteIndex>, source: Source<'_>) -> Result<(), Mistake> {
    if field.kind.is_float() { Err(source.mistake(at.span(), "expected a whole number here")) } else { Ok(()) }
}
