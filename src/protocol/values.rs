//! Values of protocol files that several kinds of frames and decoders share. Each parses and checks itself: one that exists is
//! good. Knows nothing of tables.

use std::{ops::Deref, time::Duration};

use regex::bytes::{Regex, RegexBuilder};
use serde::{Deserialize, Deserializer, de::Error as _};
use strum::{EnumMessage, VariantArray};

use crate::{units::parse_duration, words::words};

/// Frames are no longer than this, bytes.
pub(super) const LONGEST_FRAME: usize = 65_536;

/// A byte of a frame. Files count from 1, this counts from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(try_from = "i64")]
pub(super) struct ByteIndex(pub usize);

impl TryFrom<i64> for ByteIndex {
    type Error = &'static str;

    fn try_from(from_one: i64) -> Result<Self, Self::Error> {
        let index = usize::try_from(from_one).ok().and_then(|at| at.checked_sub(1)).filter(|at| *at < LONGEST_FRAME);
        index.map(Self).ok_or("expected a byte of the frame, counted from 1")
    }
}

/// A bit of a frame, `"3.0"` in files: byte from 1, bit from 0 for the least significant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub(super) struct Bit {
    /// Counted from 0.
    pub byte: usize,
    pub mask: u8,
}

impl Bit {
    pub(super) fn parse(text: &str) -> Option<Self> {
        let (byte, bit) = text.split_once('.')?;
        let ByteIndex(byte) = byte.parse::<i64>().ok()?.try_into().ok()?;
        let bit = bit.parse::<u32>().ok().filter(|bit| *bit < 8)?;
        Some(Self { byte, mask: 1 << bit })
    }

    /// The caller has checked that the frame is long enough.
    #[inline]
    pub(super) fn is_set(self, frame: &[u8]) -> bool {
        frame[self.byte] & self.mask != 0
    }
}

impl TryFrom<String> for Bit {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let wrong = || format!("found \"{text}\", expected a byte from 1 and a bit from 0, as in \"3.0\"");
        Self::parse(&text).ok_or_else(wrong)
    }
}

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
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "String")]
pub(super) struct HexBytes(pub Vec<u8>);

impl TryFrom<String> for HexBytes {
    type Error = &'static str;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        let digits = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).map(hex_digit);
        let digits: Option<Vec<u8>> = digits.collect();
        let digits = digits.filter(|digits| digits.len().is_multiple_of(2));
        let pairs = digits.map(|digits| digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect());
        pairs.map(Self).ok_or("expected pairs of hexadecimal digits")
    }
}

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
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub(super) struct FilledText(pub Vec<u8>);

impl TryFrom<String> for FilledText {
    type Error = &'static str;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        if text.is_empty() {
            Err("found an empty text, expected at least one character")
        } else {
            Ok(Self(text.into_bytes()))
        }
    }
}

/// The length of the longest frame, bytes.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(try_from = "i64")]
pub(super) struct LongestFrame(pub usize);

impl LongestFrame {
    /// Where the file of a protocol of lines gives none.
    pub(super) fn of_line() -> Self {
        Self(512)
    }

    /// Where the file of another protocol gives none.
    pub(super) fn of_block() -> Self {
        Self(1024)
    }
}

impl TryFrom<i64> for LongestFrame {
    type Error = String;

    fn try_from(length: i64) -> Result<Self, String> {
        let length = usize::try_from(length).ok().filter(|length| (1..=LONGEST_FRAME).contains(length));
        length.map(Self).ok_or_else(|| format!("expected a longest frame of 1 to {LONGEST_FRAME} bytes"))
    }
}

/// A regular expression over bytes.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "String")]
pub(super) struct BytePattern(Regex);

impl TryFrom<String> for BytePattern {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        // Bytes, not characters: a damaged byte must not keep the rest from being read.
        let pattern = RegexBuilder::new(&text).unicode(false).size_limit(1 << 20).build();
        pattern.map(Self).map_err(|error| {
            let words = error.to_string();
            format!("expected a regular expression: {}", words.lines().last().unwrap_or_default().trim())
        })
    }
}

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
        assert_eq!(ByteIndex::try_from(1), Ok(ByteIndex(0)));
        for wrong in [0, -1, i64::MAX, LONGEST_FRAME as i64 + 1] {
            assert!(ByteIndex::try_from(wrong).is_err(), "{wrong}");
        }
        assert_eq!(Bit::parse("3.7"), Some(Bit { byte: 2, mask: 0x80 }));
        for wrong in ["0.1", "1.8", "1", "1.", ".1", "-1.0"] {
            assert_eq!(Bit::parse(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn hexadecimal_digits_stand_in_pairs() {
        assert_eq!(HexBytes::try_from("0a F1\n2c".to_owned()).unwrap().0, [0x0a, 0xf1, 0x2c]);
        assert!(HexBytes::try_from("0".to_owned()).is_err() && HexBytes::try_from("0g".to_owned()).is_err());
    }
}
