//! The bits of a liquid crystal display: seven segments a digit, points, a sign, and symbols.
//!
//! A digit is known by its segments alone (a on top, then clockwise to f, g in the middle), so
//! any wiring of a display can be described.

use std::str::FromStr;

use serde::Deserialize;
use toml::Spanned;

use super::{
    DecodeOutcome, FrameDecoder, Sink,
    display::{DisplayEffect, DisplayState},
    flags::FlagRule,
};
use crate::{
    mistake::{Mistake, Source},
    protocol::{
        names::ValueName,
        number::Token,
        problem::{DecodeError, Defect},
        tables::{KindRule, PartContext},
        values::Bit,
    },
    words::from_text,
};

/// What such a frame is.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct SegmentsRule {
    #[serde(default)]
    pub name: ValueName,
    /// Bytes of a frame; as many as are used where the file does not say.
    length: Option<Spanned<usize>>,
    /// From the left.
    digits: Spanned<Vec<DigitRule>>,
    #[serde(default)]
    flags: Vec<FlagRule>,
}

/// Where a digit's segments are.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct DigitRule {
    segments: SegmentBits,
    /// The decimal point before this digit.
    point: Option<Bit>,
}

/// a to g; none for one that the display does not have, as in a leading half digit.
#[derive(Debug, Clone)]
struct SegmentBits([Option<Bit>; 7]);

impl FromStr for SegmentBits {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let bits =
            text.split_whitespace().map(|word| if word == "-" { Some(None) } else { word.parse().ok().map(Some) });
        let bits: Option<Vec<Option<Bit>>> = bits.collect();
        bits.and_then(|bits| bits.try_into().ok())
            .map(Self)
            .ok_or("expected seven bits for the segments a to g, as in \"1.0 1.1 …\", with - for one that is not there")
    }
}

from_text!(SegmentBits);

/// More digits than this are no display's, and would not fit a number.
pub(super) const MOST_DIGITS: usize = 15;

impl KindRule for SegmentsRule {
    type Keys = Self;

    fn from_keys(keys: Self, PartContext { source, .. }: PartContext<'_>) -> Result<Self, Mistake> {
        if !(1..=MOST_DIGITS).contains(&keys.digits.get_ref().len()) {
            return Err(source.mistake(keys.digits.span(), format!("expected 1 to {MOST_DIGITS} digits")));
        }
        FlagRule::check_only_value(&keys.flags, &keys.name.0, source)?;
        match &keys.length {
            Some(length) if *length.get_ref() < keys.used() => Err(too_short(length, keys.used(), source)),
            _ => Ok(keys),
        }
    }
}

impl SegmentsRule {
    fn frame_length(&self) -> usize {
        self.length.as_ref().map_or_else(|| self.used(), |length| *length.get_ref())
    }

    /// How many bytes are used.
    fn used(&self) -> usize {
        let digits = self.digits.get_ref().iter();
        let bits = digits.flat_map(|digit| digit.segments.0.iter().flatten().chain(&digit.point));
        let last = bits.map(|bit| bit.byte).chain(self.flags.iter().map(FlagRule::last_byte)).max();
        last.map_or(0, |last| last + 1)
    }
}

/// A length that is less than the bytes that are used.
pub(super) fn too_short(length: &Spanned<usize>, used: usize, source: Source<'_>) -> Mistake {
    source.mistake(length.span(), format!("byte {used} is used, expected a length that holds it"))
}

/// What seven segments show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Glyph {
    Digit(u8),
    Blank,
    Minus,
    /// The L of an overload.
    L,
    /// Part of a word.
    Letter,
    /// Nothing that a display shows.
    Damage,
}

/// What each pattern shows, a being bit 0 and g bit 6: the common truth table (from memory), with
/// the 6 without a, the 9 without d and the 7 with f that some displays have.
const GLYPHS: [Glyph; 128] = {
    let mut glyphs = [Glyph::Damage; 128];
    let digits = [0x3f, 0x06, 0x5b, 0x4f, 0x66, 0x6d, 0x7d, 0x07, 0x7f, 0x6f];
    let mut digit = 0;
    while digit < 10 {
        glyphs[digits[digit]] = Glyph::Digit(digit as u8);
        digit += 1;
    }
    glyphs[0x7c] = Glyph::Digit(6);
    glyphs[0x67] = Glyph::Digit(9);
    glyphs[0x27] = Glyph::Digit(7);
    glyphs[0x00] = Glyph::Blank;
    glyphs[0x40] = Glyph::Minus;
    glyphs[0x38] = Glyph::L;
    // A, C, c, d, E, F, H, h, i, n, o, P, r, t, U, u.
    let letters = [0x77, 0x39, 0x58, 0x5e, 0x79, 0x71, 0x76, 0x74, 0x04, 0x54, 0x5c, 0x73, 0x50, 0x78, 0x3e, 0x1c];
    let mut letter = 0;
    while letter < letters.len() {
        glyphs[letters[letter]] = Glyph::Letter;
        letter += 1;
    }
    glyphs
};

/// Reads such frames.
#[derive(Debug)]
pub(in crate::protocol) struct SegmentsDecoder {
    rule: SegmentsRule,
    /// Bytes of a frame.
    length: usize,
}

/// The digits of a display, read from the left.
struct DisplayDigits {
    digits: u64,
    /// How many of them.
    count: usize,
    /// Of them, those behind the point.
    decimals: Option<usize>,
    last: Glyph,
    sign: Option<Glyph>,
    /// An L was shown.
    over: Option<Glyph>,
}

impl SegmentsDecoder {
    pub(crate) fn new(rule: SegmentsRule) -> Self {
        Self { length: rule.frame_length(), rule }
    }
}

impl FrameDecoder for SegmentsDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let expected = self.length;
        if frame.len() != expected {
            return Err(DecodeError::whole(Defect::Length { found: frame.len(), expected }));
        }
        let mut shown = DisplayState::NOTHING;
        for flag in &self.rule.flags {
            flag.add_to(&mut shown, frame)?;
        }
        let token = self.number(frame)?.and_then(|read| read.token(&mut shown));
        // The only fixed name has the number 0.
        sink.shown(0, token, shown.annunciators, 0..frame.len())?;
        Ok(DecodeOutcome::Frame)
    }
}

impl SegmentsDecoder {
    /// What the digits show; an error within for words and blanks.
    fn number(&self, frame: &[u8]) -> Result<Result<DisplayDigits, Defect>, DecodeError> {
        let mut read =
            DisplayDigits { digits: 0, count: 0, decimals: None, last: Glyph::Blank, sign: None, over: None };
        let mut is_number = true;
        for digit in self.rule.digits.get_ref() {
            let mut pattern = 0;
            for (index, bit) in digit.segments.0.iter().enumerate() {
                pattern |= usize::from(bit.is_some_and(|bit| bit.is_set(frame))) << index;
            }
            if digit.point.is_some_and(|point| point.is_set(frame)) && read.decimals.replace(0).is_some() {
                return Err(DecodeError::whole(Defect::NotASegment));
            }
            let glyph = GLYPHS[pattern];
            if glyph == Glyph::Damage {
                let at = digit.segments.0.iter().flatten().next().map_or(0, |bit| bit.byte);
                return Err(DecodeError::at(at..at + 1, Defect::NotASegment));
            }
            is_number &= read.add(glyph);
        }
        Ok(if is_number && read.count > 0 { Ok(read) } else { Err(Defect::NoNumberShown) })
    }
}

impl DisplayDigits {
    /// Adds a glyph; false where it can be no part of a number.
    #[inline]
    fn add(&mut self, glyph: Glyph) -> bool {
        let fits = match glyph {
            Glyph::Digit(digit) => {
                self.digits = self.digits * 10 + u64::from(digit);
                self.count += 1;
                self.decimals = self.decimals.map(|decimals| decimals + 1);
                matches!(self.last, Glyph::Digit(_) | Glyph::Blank | Glyph::Minus) && self.over.is_none()
            }
            // "0L", with blanks around it, is what all these displays show for too much.
            Glyph::L => self.over.replace(glyph).is_none() && self.digits == 0 && self.count == 1,
            Glyph::Minus => self.sign.replace(glyph).is_none() && self.count == 0,
            Glyph::Blank => self.count == 0 || self.over.is_some(),
            Glyph::Letter | Glyph::Damage => false,
        };
        self.last = glyph;
        fits
    }

    fn token(&self, shown: &mut DisplayState) -> Result<Token, Defect> {
        if self.sign.is_some() {
            shown.add(&DisplayEffect::Minus);
        }
        match self.over {
            Some(_) => shown.over(),
            None => shown.digits(self.digits, -(self.decimals.unwrap_or(0) as i32)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::tests::decoded;

    #[test]
    fn the_truth_table() {
        // Seven-segment codes with a as bit 0: common truth table, from memory.
        for (pattern, glyph) in [
            (0x3f, Glyph::Digit(0)),
            (0x06, Glyph::Digit(1)),
            (0x5b, Glyph::Digit(2)),
            (0x4f, Glyph::Digit(3)),
            (0x66, Glyph::Digit(4)),
            (0x6d, Glyph::Digit(5)),
            (0x7d, Glyph::Digit(6)),
            (0x07, Glyph::Digit(7)),
            (0x7f, Glyph::Digit(8)),
            (0x6f, Glyph::Digit(9)),
            (0x7c, Glyph::Digit(6)),
            (0x67, Glyph::Digit(9)),
            (0x27, Glyph::Digit(7)),
            (0x00, Glyph::Blank),
            (0x38, Glyph::L),
            (0x40, Glyph::Minus),
            (0x77, Glyph::Letter),
            (0x79, Glyph::Letter),
            (0x71, Glyph::Letter),
            (0x08, Glyph::Damage),
        ] {
            assert_eq!(GLYPHS[pattern], glyph, "{pattern:02x}");
        }
    }

    /// Four digits, a byte each with a as bit 0 and the point before the digit as bit 7.
    fn check(bytes: &[u8], expected: &[&str]) {
        let digit = |byte: usize| {
            let segments: Vec<String> = (0..7).map(|bit| format!("{byte}.{bit}")).collect();
            format!("{{ segments = \"{}\", point = \"{byte}.7\" }}", segments.join(" "))
        };
        let digits: Vec<String> = (1..=4).map(digit).collect();
        let text = format!(
            "[frame]\nkind = \"fixed\"\nlength = 5\nend = \"5.\"\n[decode]\nkind = \"segments\"\ndigits = [{}]\n\
             flags = [{{ bit = \"5.0\", shows = \"minus\" }}, {{ bit = \"5.1\", shows = \"V\" }}, {{ bit = \"5.2\", shows = \"m\" }}]\n",
            digits.join(", ")
        );
        assert_eq!(decoded(&text, bytes), expected, "{bytes:02x?}");
    }

    #[test]
    fn displays() {
        check(&[0x06, 0xdb, 0x4f, 0x66, 0x53], &["value = -1.234 V"]);
        check(&[0x00, 0x5b, 0x4f, 0xe6, 0x56], &["value = 0.0234 V"]);
        check(&[0x40, 0x5b, 0x4f, 0x66, 0x50], &["value = -234"]);
        check(&[0x00, 0x3f, 0x38, 0x00, 0x52], &["value = OL V"]);
        check(&[0x00, 0x3f, 0xb8, 0x00, 0x53], &["value = -OL V"]);
    }

    #[test]
    fn words_blanks_and_damage_are_no_numbers() {
        check(&[0x00, 0x79, 0x50, 0x50, 0x52], &["! byte 1: found \"\\x00yPPR\", the meter shows no number"]);
        check(
            &[0x00, 0x00, 0x00, 0x00, 0x50],
            &["! byte 1: found \"\\x00\\x00\\x00\\x00P\", the meter shows no number"],
        );
        check(
            &[0x06, 0x00, 0x06, 0x06, 0x50],
            &["! byte 1: found \"\\x06\\x00\\x06\\x06P\", the meter shows no number"],
        );
        check(&[0x06, 0x08, 0x06, 0x06, 0x50], &["! byte 2: found \"\\x08\", expected the segments of a digit"]);
        check(&[0x06, 0x86, 0x86, 0x06, 0x50], &["! expected the segments of a digit"]);
    }
}
