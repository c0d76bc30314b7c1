//! Values of protocol files that several kinds of frames and decoders share. Each parses and checks itself: one that exists is
//! good. Knows nothing of tables.

use std::{ops::Deref, str::FromStr, time::Duration};

use regex::bytes::{Regex, RegexBuilder};
use serde::{Deserialize, Deserializer, de::Error as _};
use strum::{EnumMessage, VariantArray};

use crate::{
    units::{Index, WholeNumber, parse_duration},
    words::{from_text, words},
};

/// Frames are no longer than this, bytes.
pub(super) const LONGEST_FRAME: usize = 65_536;

/// A byte of a frame.
pub(super) type ByteIndex = Index<LONGEST_FRAME>;

/// A bit of a frame, `"3.0"` in files: byte from 1, bit from 0 for the least significant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Bit {
    /// Counted from 0.
    pub byte: usize,
    pub mask: u8,
}

impl Bit {
    fn parse(text: &str) -> Option<Self> {
        let (byte, bit) = text.split_once('.')?;
        let byte: ByteIndex = byte.parse::<i64>().ok()?.try_into().ok()?;
        let bit = bit.parse::<u32>().ok().filter(|bit| *bit < 8)?;
        Some(Self { byte: byte.0, mask: 1 << bit })
    }

    /// The caller has checked that the frame is long enough.
    #[inline]
    pub(super) fn is_set(self, frame: &[u8]) -> bool {
        frame[self.byte] & self.mask != 0
    }
}

impl FromStr for Bit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("found \"{text}\", expected a byte from 1 and a bit from 0, as in \"3.0\"");
        Self::parse(text).ok_or_else(wrong)
    }
}

from_text!(Bit);

/// Which byte of a number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(super) enum ByteOrder {
    /// The least significant.
    #[strum(serialize = "little")]
    Little,
    /// The most significant.
    #[strum(serialize = "big")]
    Big,
}
words!(ByteOrder);

/// What a file must say of a number of several bytes.
pub(super) const ORDER_EXPECTED: &str = "expected `order`: \"little\" or \"big\"";

/// Bytes as pairs of hexadecimal digits.
#[derive(Debug, Clone)]
pub(super) struct HexBytes(pub Vec<u8>);

impl FromStr for HexBytes {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let digits = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).map(hex_digit);
        let digits: Option<Vec<u8>> = digits.collect();
        let digits = digits.filter(|digits| digits.len().is_multiple_of(2));
        let pairs = digits.map(|digits| digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect());
        pairs.map(Self).ok_or("expected pairs of hexadecimal digits")
    }
}

from_text!(HexBytes);

/// The value of a hexadecimal digit.
#[inline]
pub(super) fn hex_digit(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        _ => None,
    }
}

/// Text of at least one character, as bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct NonEmptyText(pub Vec<u8>);

impl FromStr for NonEmptyText {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text.is_empty() {
            Err("found an empty text, expected at least one character")
        } else {
            Ok(Self(text.as_bytes().to_vec()))
        }
    }
}

from_text!(NonEmptyText);

/// The length of the longest frame, bytes.
pub(super) type LongestFrame = WholeNumber<1, LONGEST_FRAME>;

/// Where the file of a protocol of lines gives none.
pub(super) fn longest_line() -> LongestFrame {
    LongestFrame::nearest(512)
}

/// Where the file of another protocol gives none.
pub(super) fn longest_block() -> LongestFrame {
    LongestFrame::nearest(1024)
}

/// A regular expression over bytes.
#[derive(Debug, Clone)]
pub(super) struct BytePattern(Regex);

impl FromStr for BytePattern {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        // Bytes, not characters: a damaged byte must not keep the rest from being read.
        let pattern = RegexBuilder::new(text).unicode(false).size_limit(1 << 20).build();
        pattern.map(Self).map_err(|error| {
            let words = error.to_string();
            format!("expected a regular expression: {}", words.lines().last().unwrap_or_default().trim())
        })
    }
}

from_text!(BytePattern);

impl Deref for BytePattern {
    type Target = Regex;

    fn deref(&self) -> &Regex {
        &self.0
    }
}

/// A duration as people write it: `"100 ms"`.
pub(super) fn duration<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    parse_duration(&String::deserialize(from)?).map_err(D::Error::custom)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_and_bits_are_counted_as_files_do() {
        assert_eq!(ByteIndex::try_from(1), Ok(Index(0)));
        assert!(ByteIndex::try_from(LONGEST_FRAME as i64 + 1).is_err());
        assert_eq!("3.7".parse(), Ok(Bit { byte: 2, mask: 0x80 }));
        for wrong in ["0.1", "1.8", "1", "1.", ".1", "-1.0"] {
            assert!(wrong.parse::<Bit>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn hexadecimal_digits_stand_in_pairs() {
        assert_eq!("0a F1\n2c".parse::<HexBytes>().unwrap().0, [0x0a, 0xf1, 0x2c]);
        assert!("0".parse::<HexBytes>().is_err() && "0g".parse::<HexBytes>().is_err());
    }
}
