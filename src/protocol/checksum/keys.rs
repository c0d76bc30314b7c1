//! `[checksum]`: the keys of a file, and the rule that they become.

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use super::catalogue::{CatalogueCrc, unknown_crc};
use crate::{
    mistake::{Mistake, Source},
    protocol::{
        tables::{self, KindTable},
        values::{ByteOrder, LONGEST_FRAME, NonEmptyText, ORDER_EXPECTED},
    },
    words::{EnumWord, words},
};

/// How the checksum of a protocol's frames is written and computed.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct ChecksumRule {
    pub kind: ChecksumKind,
    pub position: ChecksumPosition,
    pub form: ChecksumForm,
    pub order: ByteOrder,
    /// The first byte that it covers.
    pub from: BytePosition,
    /// The last byte that it covers; without it, the one before the checksum.
    pub to: Option<BytePosition>,
    pub absent: MissingChecksum,
}

/// How it is computed.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) enum ChecksumKind {
    /// The sum of the bytes, kept to one or two bytes.
    Sum { bytes: usize, complement: Complement },
    /// All bytes by exclusive or (NMEA 0183 and many others).
    Xor,
    /// One of the catalogue.
    Crc(CatalogueCrc),
}

/// What is made of a sum before it is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub(in crate::protocol) enum Complement {
    /// Nothing.
    #[default]
    #[strum(serialize = "none")]
    None,
    /// All bits turned over.
    #[strum(serialize = "ones")]
    Ones,
    /// What makes the whole add up to zero.
    #[strum(serialize = "twos")]
    Twos,
}
words!(Complement);

/// Where it is.
#[derive(Debug, Clone)]
pub(in crate::protocol) enum ChecksumPosition {
    /// Behind the last of these marks, up to the frame's end.
    Behind(Vec<u8>),
    /// From this byte on.
    At(BytePosition),
}

/// A byte of a frame.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "i64")]
pub(in crate::protocol) enum BytePosition {
    /// Counted from the frame's first byte, which is 0.
    FromStart(usize),
    /// Counted from the frame's end: the last byte is 1.
    FromEnd(usize),
    /// Right behind this text, with which the frame begins; the first byte where it does not.
    Behind(Vec<u8>),
}

/// How its value is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(in crate::protocol) enum ChecksumForm {
    #[strum(serialize = "binary")]
    Binary,
    /// Hexadecimal digits, two a byte.
    #[strum(serialize = "hex")]
    Hex,
}
words!(ChecksumForm);

/// What a frame without the mark is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::protocol) enum MissingChecksum {
    Refused,
    Allowed,
}

impl ChecksumKind {
    /// Bytes that its value fills.
    pub(super) fn size(&self) -> usize {
        match self {
            Self::Sum { bytes, .. } => *bytes,
            Self::Xor => 1,
            Self::Crc(crc) => usize::from(crc.width).div_ceil(8),
        }
    }
}

impl ChecksumForm {
    pub(super) fn length(self, size: usize) -> usize {
        match self {
            Self::Binary => size,
            Self::Hex => 2 * size,
        }
    }
}

impl BytePosition {
    pub(super) fn within(&self, frame: &[u8]) -> Option<usize> {
        match self {
            Self::FromStart(at) => Some(*at),
            Self::FromEnd(at) => frame.len().checked_sub(*at),
            Self::Behind(text) => Some(if frame.starts_with(text) { text.len() } else { 0 }),
        }
    }
}

/// The kinds that are not CRCs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
enum SimpleKind {
    #[strum(serialize = "none")]
    None,
    #[strum(serialize = "sum8")]
    Sum8,
    #[strum(serialize = "sum16")]
    Sum16,
    #[strum(serialize = "xor")]
    Xor,
}
words!(SimpleKind);

/// `[checksum]` as the file has it. Some of its keys exclude each other; in the rule they are the variants of an enum.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChecksumTable {
    after: Option<NonEmptyText>,
    at: Option<Spanned<BytePosition>>,
    form: Option<ChecksumForm>,
    order: Option<ByteOrder>,
    from: Option<Spanned<BytePosition>>,
    skip: Option<NonEmptyText>,
    to: Option<BytePosition>,
    complement: Option<Spanned<Complement>>,
    required: Option<Spanned<bool>>,
}

/// In files a byte counted from 1, or from -1, the last, backwards.
impl TryFrom<i64> for BytePosition {
    type Error = &'static str;

    fn try_from(at: i64) -> Result<Self, Self::Error> {
        let size = usize::try_from(at.unsigned_abs()).unwrap_or(usize::MAX);
        match at.signum() {
            _ if size > LONGEST_FRAME => Err("expected a byte of the frame"),
            1 => Ok(Self::FromStart(size - 1)),
            -1 => Ok(Self::FromEnd(size)),
            _ => Err("expected a byte counted from 1, or from -1 backwards"),
        }
    }
}

impl ChecksumRule {
    /// Reads `[checksum]`; none where its kind is "none".
    pub(in crate::protocol) fn read(table: KindTable<'_>) -> Result<Option<Self>, Mistake> {
        let (source, kind_word) = (table.source, table.kind);
        let table: ChecksumTable = tables::read(source, table.rest)?;
        let complement = table.complement.as_ref().map(|complement| *complement.get_ref()).unwrap_or_default();
        let kind = match SimpleKind::of_word(kind_word.get_ref()) {
            Ok(SimpleKind::None) => return Ok(None),
            Ok(SimpleKind::Sum8) => ChecksumKind::Sum { bytes: 1, complement },
            Ok(SimpleKind::Sum16) => ChecksumKind::Sum { bytes: 2, complement },
            Ok(SimpleKind::Xor) => ChecksumKind::Xor,
            Err(_) => ChecksumKind::Crc(crc(&kind_word, source)?),
        };
        if let (Some(complement), false) = (&table.complement, matches!(kind, ChecksumKind::Sum { .. })) {
            return Err(source.mistake(complement.span(), "found a complement, expected one only with a sum"));
        }
        let form = table.form.unwrap_or(if table.after.is_some() { ChecksumForm::Hex } else { ChecksumForm::Binary });
        let size = kind.size();
        if table.order.is_none() && size > 1 && form == ChecksumForm::Binary {
            return Err(source.mistake(kind_word.span(), ORDER_EXPECTED));
        }
        let absent = match &table.required {
            Some(required) if !required.get_ref() && table.after.is_none() => {
                return Err(source.mistake(required.span(), "only a checksum behind a mark (`after`) may be absent"));
            }
            Some(required) if !required.get_ref() => MissingChecksum::Allowed,
            _ => MissingChecksum::Refused,
        };
        let from = match (table.from, table.skip) {
            (Some(from), None) => from.into_inner(),
            (None, skip) => BytePosition::Behind(skip.map(|skip| skip.0).unwrap_or_default()),
            (Some(from), Some(_)) => {
                return Err(source.mistake(from.span(), "found `from` beside `skip`, expected one"));
            }
        };
        let position = match (table.after, table.at) {
            (Some(mark), None) => ChecksumPosition::Behind(mark.0),
            (None, Some(at)) => ChecksumPosition::At(at.into_inner()),
            (None, None) => ChecksumPosition::At(BytePosition::FromEnd(form.length(size))),
            (Some(_), Some(at)) => {
                return Err(source.mistake(at.span(), "found `at` beside `after`, expected one"));
            }
        };
        let order = table.order.unwrap_or(ByteOrder::Big);
        Ok(Some(Self { kind, position, form, order, from, to: table.to, absent }))
    }
}

fn crc(name: &Spanned<String>, source: Source<'_>) -> Result<CatalogueCrc, Mistake> {
    let simple = SimpleKind::VARIANTS.iter().map(|kind| kind.word());
    let unknown = || source.mistake(name.span(), unknown_crc(name.get_ref(), simple));
    CatalogueCrc::named(name.get_ref()).ok_or_else(unknown)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::tests::check_words;

    #[test]
    fn words() {
        check_words::<SimpleKind>();
        check_words::<Complement>();
        check_words::<ChecksumForm>();
        check_words::<ByteOrder>();
    }
}
