//! Text at fixed positions: digits, and codes that say what they are digits of.
//!
//! Meter chips with a serial output send such reports: a character for the range, the digits, one
//! for the function, and some whose bits are the symbols of the display.

use std::{collections::BTreeMap, fmt, ops::Range};

use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor, value::MapAccessDeserializer};
use toml::Spanned;

use super::{
    DecodeOutcome, FrameDecoder, Sink,
    display::{DisplayEffect, DisplayEffects, DisplayState, EffectsVisitor},
    flags::FlagRule,
    segments::{MOST_DIGITS, too_short},
};
use crate::{
    mistake::Mistake,
    protocol::{
        names::ValueName,
        number::Token,
        problem::{DecodeError, Defect},
        tables::{KindRule, PartContext},
        values::ByteIndex,
    },
    units::{Index, WholeNumber},
};

/// What such a report is.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct ReportRule {
    #[serde(default)]
    pub name: ValueName,
    /// Bytes of a report, without what ends it.
    length: Spanned<usize>,
    /// Digits, with spaces before them and perhaps a point.
    digits: DigitRange,
    /// A character that is `-` for values below zero.
    sign: Option<ByteIndex>,
    /// The character that gives the range.
    range: Option<ByteIndex>,
    #[serde(default)]
    codes: Vec<ReportCodeRule>,
    #[serde(default)]
    flags: Vec<FlagRule>,
    /// Texts in place of the digits for a value beyond the range.
    #[serde(default)]
    overload: Vec<String>,
}

#[derive(Debug, Clone, Copy, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct DigitRange {
    at: ByteIndex,
    count: WholeNumber<1, MOST_DIGITS>,
}

/// A code and what its values mean.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct ReportCodeRule {
    at: ByteIndex,
    is: ReportCodes,
}

/// Each value of a code, all of one length, with what it means.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(try_from = "BTreeMap<String, Spanned<ReportCode>>")]
struct ReportCodes {
    length: usize,
    codes: Vec<(Vec<u8>, Spanned<ReportCode>)>,
}

impl TryFrom<BTreeMap<String, Spanned<ReportCode>>> for ReportCodes {
    type Error = &'static str;

    fn try_from(codes: BTreeMap<String, Spanned<ReportCode>>) -> Result<Self, Self::Error> {
        let length = codes.keys().next().map_or(0, String::len);
        if length == 0 || codes.keys().any(|value| value.len() != length) {
            return Err("expected values of one length in `is`");
        }
        Ok(Self { length, codes: codes.into_iter().map(|(value, code)| (value.into_bytes(), code)).collect() })
    }
}

/// What one value of a code means: in files what the display shows, or a table with that and the `places`.
#[derive(Debug, Clone)]
struct ReportCode {
    shows: DisplayEffects,
    /// What the last digit is worth as a power of ten, by range: the first for range `0`. Empty
    /// where the range does not matter.
    places: Vec<i8>,
}

impl<'de> Deserialize<'de> for ReportCode {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        from.deserialize_any(ReportCodeVisitor)
    }
}

struct ReportCodeVisitor;

impl<'de> Visitor<'de> for ReportCodeVisitor {
    type Value = ReportCode;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("what the display shows, or { shows, places }")
    }

    fn visit_i64<E: serde::de::Error>(self, place: i64) -> Result<ReportCode, E> {
        EffectsVisitor.visit_i64(place).map(ReportCode::without_places)
    }

    fn visit_str<E: serde::de::Error>(self, word: &str) -> Result<ReportCode, E> {
        EffectsVisitor.visit_str(word).map(ReportCode::without_places)
    }

    fn visit_seq<S: SeqAccess<'de>>(self, list: S) -> Result<ReportCode, S::Error> {
        EffectsVisitor.visit_seq(list).map(ReportCode::without_places)
    }

    fn visit_map<M: MapAccess<'de>>(self, map: M) -> Result<ReportCode, M::Error> {
        #[derive(serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct WithPlaces {
            shows: DisplayEffects,
            places: Vec<i8>,
        }
        let WithPlaces { shows, places } = WithPlaces::deserialize(MapAccessDeserializer::new(map))?;
        Ok(ReportCode { shows, places })
    }
}

impl ReportCode {
    fn without_places(shows: DisplayEffects) -> Self {
        Self { shows, places: Vec::new() }
    }
}

impl ReportCodeRule {
    fn bytes(&self) -> Range<usize> {
        self.at.0..self.at.0 + self.is.length
    }
}

impl KindRule for ReportRule {
    type Keys = Self;

    fn from_keys(keys: Self, PartContext { source, .. }: PartContext<'_>) -> Result<Self, Mistake> {
        FlagRule::check_only_value(&keys.flags, &keys.name.0, source)?;
        let mut codes = keys.codes.iter().flat_map(|code| &code.is.codes);
        if let (None, Some((_, code))) = (keys.range, codes.find(|(_, code)| !code.get_ref().places.is_empty())) {
            return Err(source.mistake(code.span(), "found places by range, expected `range` to say where it stands"));
        }
        let singles = [keys.range, keys.sign].into_iter().flatten().map(|at| at.0);
        let singles = singles.chain(keys.flags.iter().map(FlagRule::last_byte)).map(|at| at + 1);
        let ends = keys.codes.iter().map(|code| code.bytes().end).chain([keys.digits().end]);
        let used = ends.chain(singles).max().unwrap_or(0);
        if *keys.length.get_ref() < used { Err(too_short(&keys.length, used, source)) } else { Ok(keys) }
    }
}

impl ReportRule {
    fn digits(&self) -> Range<usize> {
        let DigitRange { at: Index(at), count } = self.digits;
        at..at + count.get()
    }
}

/// Reads such reports.
#[derive(Debug)]
pub(in crate::protocol) struct ReportDecoder {
    rule: ReportRule,
}

impl ReportDecoder {
    pub(crate) fn new(rule: ReportRule) -> Self {
        Self { rule }
    }
}

impl FrameDecoder for ReportDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let expected = *self.rule.length.get_ref();
        if frame.len() != expected {
            return Err(DecodeError::whole(Defect::Length { found: frame.len(), expected }));
        }
        let mut shown = DisplayState::NOTHING;
        for code in &self.rule.codes {
            self.add_code(code, frame, &mut shown)?;
        }
        for flag in &self.rule.flags {
            flag.add_to(&mut shown, frame)?;
        }
        match self.rule.sign.map(|Index(at)| (at, frame[at])) {
            None | Some((_, b'+' | b' ' | b'0')) => {}
            Some((_, b'-')) => shown.add(&DisplayEffect::Minus),
            Some((at, _)) => return Err(DecodeError::at(at..at + 1, Defect::UnknownCode)),
        }
        let token = self.number(frame, &shown)?;
        // The only fixed name has the number 0.
        sink.shown(0, token, shown.annunciators, self.rule.digits())?;
        Ok(DecodeOutcome::Frame)
    }
}

impl ReportDecoder {
    fn add_code(&self, rule: &ReportCodeRule, frame: &[u8], shown: &mut DisplayState) -> Result<(), DecodeError> {
        let unknown = |at: Range<usize>| DecodeError::at(at, Defect::UnknownCode);
        let text = &frame[rule.bytes()];
        let (_, code) = rule.is.codes.iter().find(|(known, _)| known == text).ok_or(unknown(rule.bytes()))?;
        let code = code.get_ref();
        shown.add_all(&code.shows);
        if let (Some(Index(range)), false) = (self.rule.range, code.places.is_empty()) {
            let index = usize::from(frame[range].wrapping_sub(b'0'));
            let place = code.places.get(index).ok_or(unknown(range..range + 1))?;
            shown.add(&DisplayEffect::Place(*place));
        }
        Ok(())
    }

    fn number(&self, frame: &[u8], shown: &DisplayState) -> Result<Result<Token, Defect>, DecodeError> {
        let text = &frame[self.rule.digits()];
        if self.rule.overload.iter().any(|word| word.as_bytes() == text) {
            return Ok(shown.over());
        }
        let (mut digits, mut decimals, mut count) = (0u64, None, 0);
        for (index, byte) in text.iter().enumerate() {
            match byte {
                b'0'..=b'9' => {
                    digits = digits * 10 + u64::from(byte - b'0');
                    count += 1;
                    decimals = decimals.map(|decimals: i32| decimals + 1);
                }
                b'.' if decimals.is_none() => decimals = Some(0),
                b' ' if count == 0 && decimals.is_none() => {}
                _ => {
                    let at = self.rule.digits().start + index;
                    return Err(DecodeError::at(at..at + 1, Defect::NotDigits));
                }
            }
        }
        if count == 0 {
            return Err(DecodeError::at(self.rule.digits(), Defect::NotDigits));
        }
        Ok(shown.digits(digits, -decimals.unwrap_or(0)))
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::decoded;

    const RULE: &str = "[frame]\nkind = \"line\"\n[decode]\nkind = \"report\"\nlength = 8\ndigits = { at = 2, count = 4 }\n\
        range = 1\noverload = [\" 0L \"]\n\
        codes = [{ at = 6, is = { \"a\" = { shows = \"V\", places = [-3, -2] }, \"b\" = { shows = [\"k\", \"ohm\"], places = [-3] }, \"c\" = \"%\" } }]\n\
        flags = [{ bit = \"7.2\", shows = \"minus\" }, { bit = \"7.0\", shows = \"over\" },\n\
        { bit = \"8.3\", form = \"hex\", shows = \"DC\", otherwise = \"AC\" },\n\
        { bit = \"8.0\", form = \"hex\", when = { at = 6, is = \"c\" }, shows = \"hold\" }]\n";

    fn check(text: &str, expected: &str) {
        assert_eq!(decoded(RULE, format!("{text}\r\n").as_bytes()), [expected], "{text}");
    }

    #[test]
    fn range_and_function_say_what_the_digits_are() {
        check("01234a08", "value = 1.234 V DC");
        check("11234a47", "value = -12.34 V AC");
        check("0 470b09", "value = 470 ohm");
        check("0  50c09", "value = 50 % [hold]");
        check("01234a18", "value = OL V DC");
        check("0 0L b08", "value = OL ohm");
    }

    #[test]
    fn damage_is_reported_at_its_byte() {
        check("012x4a08", "! byte 4: found \"x\", expected digits");
        check("01234x08", "! byte 6: found \"x\", expected a code that the protocol knows");
        check("91234a08", "! byte 1: found \"9\", expected a code that the protocol knows");
        check("01234a0x", "! byte 8: found \"x\", expected hexadecimal digits");
        check("01234a0", "! found 7 bytes, expected 8");
        check("0    a08", "! byte 2: found \"    \", expected digits");
    }
}
