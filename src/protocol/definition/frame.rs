//! `[frame]`: how bytes are cut, and `[checksum]`: how damage is known.

use serde::Deserialize;
use toml::Spanned;

use super::file::{File, LONGEST_FRAME, Part};
use crate::{
    mistake::Mistake,
    protocol::{
        checksum::{
            ByteOrder, BytePosition, Catalogued, ChecksumForm, ChecksumKind, ChecksumPosition, ChecksumRule,
            Complement, MissingChecksum, no_such,
        },
        frame::{BlockRule, FrameRule, LengthField, LineRule, Mask, StuffedRule, Stuffing},
    },
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LineText {
    terminator: Option<Spanned<String>>,
    longest: Option<Spanned<usize>>,
    comment: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StuffedText {
    longest: Option<Spanned<usize>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FixedText {
    length: Spanned<usize>,
    start: Option<Spanned<String>>,
    end: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PrefixedText {
    length: Spanned<LengthText>,
    longest: Option<Spanned<usize>>,
    start: Option<Spanned<String>>,
    end: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LengthText {
    at: Spanned<usize>,
    #[serde(default = "one")]
    size: usize,
    order: Option<ByteOrder>,
    #[serde(default)]
    add: usize,
}

fn one() -> usize {
    1
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct IndexedText {
    length: Spanned<usize>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChecksumText {
    after: Option<Spanned<String>>,
    at: Option<Spanned<i64>>,
    form: Option<ChecksumForm>,
    order: Option<ByteOrder>,
    from: Option<Spanned<i64>>,
    skip: Option<Spanned<String>>,
    to: Option<Spanned<i64>>,
    complement: Option<Spanned<Complement>>,
    required: Option<Spanned<bool>>,
}

impl<'a> File<'a> {
    pub(super) fn frame_rule(&self, part: Part<'a>) -> Result<FrameRule, Mistake> {
        match part.kind.get_ref().as_str() {
            "line" => self.line_rule(self.read(part.rest)?).map(FrameRule::Line),
            "cobs" => self.stuffed_rule(Stuffing::Cobs, self.read(part.rest)?),
            "slip" => self.stuffed_rule(Stuffing::Slip, self.read(part.rest)?),
            "fixed" => self.fixed_rule(self.read(part.rest)?),
            "length-prefixed" => self.prefixed_rule(self.read(part.rest)?),
            "indexed-nibbles" => {
                let indexed: IndexedText = self.read(part.rest)?;
                let length = u8::try_from(*indexed.length.get_ref()).ok().filter(|length| (2..=15).contains(length));
                let wrong = || self.mistake(indexed.length.span(), "expected a length of 2 to 15 bytes");
                Ok(FrameRule::Block(BlockRule::Indexed { length: length.ok_or_else(wrong)? }))
            }
            _ => Err(self.unknown_kind(
                &part.kind,
                "one of \"line\", \"fixed\", \"indexed-nibbles\", \"length-prefixed\", \"cobs\", \"slip\"",
            )),
        }
    }

    fn line_rule(&self, line: LineText) -> Result<LineRule, Mistake> {
        let longest = self.longest(line.longest, 512)?;
        let terminator = self.filled(line.terminator, "terminator")?.unwrap_or_else(|| b"\n".to_vec());
        Ok(LineRule { terminator, longest, comment: self.filled(line.comment, "comment")? })
    }

    fn longest(&self, longest: Option<Spanned<usize>>, usual: usize) -> Result<usize, Mistake> {
        match longest {
            Some(longest) if !(1..=LONGEST_FRAME).contains(longest.get_ref()) => {
                Err(self.mistake(longest.span(), format!("expected a longest frame of 1 to {LONGEST_FRAME} bytes")))
            }
            longest => Ok(longest.map_or(usual, Spanned::into_inner)),
        }
    }

    fn stuffed_rule(&self, stuffing: Stuffing, stuffed: StuffedText) -> Result<FrameRule, Mistake> {
        Ok(FrameRule::Stuffed(StuffedRule { stuffing, longest: self.longest(stuffed.longest, 1024)? }))
    }

    fn fixed_rule(&self, fixed: FixedText) -> Result<FrameRule, Mistake> {
        let (start, end) = (self.mask(fixed.start)?, self.mask(fixed.end)?);
        let length = *fixed.length.get_ref();
        if length > LONGEST_FRAME || length < (start.len() + end.len()).max(1) {
            return Err(self.mistake(fixed.length.span(), "expected a length that holds the marks at both ends"));
        }
        Ok(FrameRule::Block(BlockRule::Fixed { length, start, end }))
    }

    fn prefixed_rule(&self, prefixed: PrefixedText) -> Result<FrameRule, Mistake> {
        let (start, end) = (self.mask(prefixed.start)?, self.mask(prefixed.end)?);
        let span = prefixed.length.span();
        let length = prefixed.length.into_inner();
        if !(1..=2).contains(&length.size) {
            return Err(self.mistake(span, "expected a size of 1 or 2 bytes"));
        }
        let order = match length.order {
            None if length.size > 1 => return Err(self.mistake(span, "expected `order`: \"little\" or \"big\"")),
            order => order.unwrap_or(ByteOrder::Big),
        };
        let field = LengthField { at: self.place(&length.at)?, size: length.size, order, add: length.add };
        let longest = self.longest(prefixed.longest, 1024)?;
        Ok(FrameRule::Block(BlockRule::Prefixed { start, end, field, longest }))
    }

    /// Bytes in hexadecimal digits, with a point for a digit that may be any.
    fn mask(&self, text: Option<Spanned<String>>) -> Result<Mask, Mistake> {
        let Some(text) = text else { return Ok(Mask::default()) };
        let wrong = || {
            let found = text.get_ref();
            self.mistake(
                text.span(),
                format!("found \"{found}\", expected pairs of hexadecimal digits, with a point for any digit"),
            )
        };
        let digits = text.get_ref().chars().filter(|c| !c.is_whitespace()).map(|c| match c {
            '.' => Some((0, 0)),
            digit => digit.to_digit(16).map(|digit| (digit as u8, 0x0f)),
        });
        let digits: Vec<(u8, u8)> = digits.collect::<Option<_>>().ok_or_else(wrong)?;
        if digits.is_empty() || !digits.len().is_multiple_of(2) {
            return Err(wrong());
        }
        Ok(Mask(digits.chunks(2).map(|pair| (pair[0].0 << 4 | pair[1].0, pair[0].1 << 4 | pair[1].1)).collect()))
    }

    pub(super) fn checksum_rule(&self, part: Part<'a>) -> Result<Option<ChecksumRule>, Mistake> {
        let text: ChecksumText = self.read(part.rest)?;
        let complement = text.complement.as_ref().map(|complement| *complement.get_ref()).unwrap_or_default();
        let kind = match part.kind.get_ref().as_str() {
            "none" => return Ok(None),
            "sum8" => ChecksumKind::Sum { bytes: 1, complement },
            "sum16" => ChecksumKind::Sum { bytes: 2, complement },
            "xor" => ChecksumKind::Xor,
            name => {
                ChecksumKind::Crc(Catalogued::named(name).ok_or_else(|| self.mistake(part.kind.span(), no_such(name)))?)
            }
        };
        if let (Some(complement), false) = (&text.complement, matches!(kind, ChecksumKind::Sum { .. })) {
            return Err(self.mistake(complement.span(), "found a complement, expected one only with a sum"));
        }
        let form = text.form.unwrap_or(if text.after.is_some() { ChecksumForm::Hex } else { ChecksumForm::Binary });
        let size = kind.size();
        let order = match text.order {
            None if size > 1 && form == ChecksumForm::Binary => {
                return Err(self.mistake(part.kind.span(), "expected `order`: \"little\" or \"big\""));
            }
            order => order.unwrap_or(ByteOrder::Big),
        };
        let absent = match &text.required {
            Some(required) if !required.get_ref() && text.after.is_none() => {
                return Err(self.mistake(required.span(), "only a checksum behind a mark (`after`) may be absent"));
            }
            Some(required) if !required.get_ref() => MissingChecksum::Allowed,
            _ => MissingChecksum::Refused,
        };
        let from = match (&text.from, text.skip) {
            (Some(from), None) => self.checksum_place(from)?,
            (None, skip) => BytePosition::Behind(self.filled(skip, "skip")?.unwrap_or_default()),
            (Some(from), Some(_)) => return Err(self.mistake(from.span(), "found `from` beside `skip`, expected one")),
        };
        let stands = match (self.filled(text.after, "mark")?, &text.at) {
            (Some(mark), None) => ChecksumPosition::Behind(mark),
            (None, Some(at)) => ChecksumPosition::At(self.checksum_place(at)?),
            (None, None) => {
                ChecksumPosition::At(BytePosition::FromEnd(if form == ChecksumForm::Hex { 2 * size } else { size }))
            }
            (Some(_), Some(at)) => return Err(self.mistake(at.span(), "found `at` beside `after`, expected one")),
        };
        let to = text.to.as_ref().map(|to| self.checksum_place(to)).transpose()?;
        Ok(Some(ChecksumRule { kind, stands, form, order, from, to, absent }))
    }

    /// A byte counted from 1, or backwards from −1, the last.
    fn checksum_place(&self, at: &Spanned<i64>) -> Result<BytePosition, Mistake> {
        let size = usize::try_from(at.get_ref().unsigned_abs()).unwrap_or(usize::MAX);
        match at.get_ref().signum() {
            _ if size > LONGEST_FRAME => Err(self.mistake(at.span(), "expected a byte of the frame")),
            1 => Ok(BytePosition::FromStart(size - 1)),
            -1 => Ok(BytePosition::FromEnd(size)),
            _ => Err(self.mistake(at.span(), "expected a byte counted from 1, or from -1 backwards")),
        }
    }
}
