//! Frames known by their form alone: of a fixed length between marks, with their length in them,
//! or with each byte's place in its high half.
//!
//! Bytes in a frame may look like the beginning of another. So what looks like a frame is handed
//! out, and where it is refused, the search goes on one byte behind its beginning, never behind
//! its end: the first undamaged frame after any damage is found, unless what came before it
//! passed for a frame, which a checksum makes unlikely.

use std::str::FromStr;

use serde::Deserialize;
use toml::Spanned;

use super::{Acceptance, FramerOutput};
use crate::{
    mistake::Mistake,
    protocol::{
        problem::{DecodeError, Defect},
        tables::{KindRule, PartContext, independent_keys},
        values::{ByteIndex, ByteOrder, LONGEST_FRAME, LongestFrame, ORDER_EXPECTED, hex_digit, longest_block},
    },
    units::WholeNumber,
    words::from_text,
};

/// What such a frame is.
#[derive(Debug, Clone)]
pub(in crate::protocol) enum BlockRule {
    Fixed(FixedRule),
    Prefixed(PrefixedRule),
    Indexed(IndexedRule),
}

/// Always as many bytes, with marks at both ends.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct FixedRule {
    length: Spanned<usize>,
    #[serde(default)]
    start: Mask,
    #[serde(default)]
    end: Mask,
}

/// As many bytes as a field in the frame says.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct PrefixedRule {
    length: Spanned<LengthField>,
    #[serde(default = "longest_block")]
    longest: LongestFrame,
    #[serde(default)]
    start: Mask,
    #[serde(default)]
    end: Mask,
}

/// The high half of byte n is n, from 1 to the length.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct IndexedRule {
    length: IndexedLength,
}

/// As many bytes as half a byte can number.
type IndexedLength = WholeNumber<2, 15>;

/// Bytes of which some bits are known: in files hexadecimal digits, with a point for a digit that may be any.
#[derive(Debug, Clone, Default)]
pub(in crate::protocol) struct Mask(Vec<(u8, u8)>);

impl FromStr for Mask {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let digits = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).map(|byte| match byte {
            b'.' => Some((0, 0)),
            digit => hex_digit(digit).map(|digit| (digit, 0x0f)),
        });
        let digits: Option<Vec<(u8, u8)>> = digits.collect();
        let digits = digits.filter(|digits| !digits.is_empty() && digits.len().is_multiple_of(2));
        let byte = |pair: &[(u8, u8)]| (pair[0].0 << 4 | pair[1].0, pair[0].1 << 4 | pair[1].1);
        digits.map(|digits| Self(digits.chunks(2).map(byte).collect())).ok_or_else(|| {
            format!("found \"{text}\", expected pairs of hexadecimal digits, with a point for any digit")
        })
    }
}

from_text!(Mask);

/// Where a frame carries its length.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct LengthField {
    at: ByteIndex,
    /// Its own bytes.
    #[serde(default = "one_byte")]
    size: LengthSize,
    order: Option<ByteOrder>,
    /// What makes its value the length of the whole frame.
    #[serde(default)]
    add: usize,
}

/// The bytes of a length.
type LengthSize = WholeNumber<1, 2>;

fn one_byte() -> LengthSize {
    LengthSize::nearest(1)
}

impl KindRule for FixedRule {
    type Keys = Self;

    fn from_keys(keys: Self, context: PartContext<'_>) -> Result<Self, Mistake> {
        let PartContext { source, kind, checksum, .. } = context;
        let length = *keys.length.get_ref();
        if length > LONGEST_FRAME || length < (keys.start.len() + keys.end.len()).max(1) {
            return Err(source.mistake(keys.length.span(), "expected a length that holds the marks at both ends"));
        }
        if checksum.is_none() && !keys.has_marks() {
            return Err(source.mistake(kind.span(), "expected `start` or `end`, or a checksum, to know a frame by"));
        }
        Ok(keys)
    }
}

impl KindRule for PrefixedRule {
    type Keys = Self;

    fn from_keys(keys: Self, PartContext { source, .. }: PartContext<'_>) -> Result<Self, Mistake> {
        let LengthField { size, order, .. } = keys.length.get_ref();
        if size.get() > 1 && order.is_none() {
            return Err(source.mistake(keys.length.span(), ORDER_EXPECTED));
        }
        Ok(keys)
    }
}

independent_keys!(IndexedRule);

impl FixedRule {
    /// Whether any bytes of a frame are known.
    fn has_marks(&self) -> bool {
        self.start.0.iter().chain(&self.end.0).any(|(_, mask)| *mask != 0)
    }
}

/// Whether a frame begins at some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum BlockMatch {
    /// Too few bytes to know.
    Incomplete,
    /// No frame begins here.
    NoFrame,
    /// It may be a frame of this length.
    Frame(usize),
}

impl Mask {
    /// Whether the bytes that are there fit.
    #[inline]
    fn fits(&self, bytes: &[u8]) -> bool {
        self.0.iter().zip(bytes).all(|((value, mask), byte)| byte & mask == *value)
    }

    fn len(&self) -> usize {
        self.0.len()
    }
}

impl LengthField {
    fn end(&self) -> usize {
        self.at.0 + self.size.get()
    }

    fn read(&self, bytes: &[u8]) -> Option<usize> {
        let field = bytes.get(self.at.0..self.end())?;
        let add = |value: usize, byte: &u8| value << 8 | usize::from(*byte);
        let value = match self.order {
            Some(ByteOrder::Little) => field.iter().rev().fold(0, add),
            Some(ByteOrder::Big) | None => field.iter().fold(0, add),
        };
        Some(value + self.add)
    }
}

impl BlockRule {
    fn match_start(&self, bytes: &[u8]) -> BlockMatch {
        match self {
            Self::Fixed(FixedRule { length, start, end }) if start.fits(bytes) => ended(bytes, *length.get_ref(), end),
            Self::Prefixed(PrefixedRule { length: field, longest, start, end }) if start.fits(bytes) => {
                let field = field.get_ref();
                let least = field.end().max(start.len() + end.len());
                match field.read(bytes) {
                    None => BlockMatch::Incomplete,
                    Some(length) if length > longest.get() || length < least => BlockMatch::NoFrame,
                    Some(length) => ended(bytes, length, end),
                }
            }
            Self::Indexed(IndexedRule { length })
                if (1..=length.get()).zip(bytes).all(|(place, byte)| usize::from(byte >> 4) == place) =>
            {
                ended(bytes, length.get(), &Mask::default())
            }
            _ => BlockMatch::NoFrame,
        }
    }
}

#[cfg(test)]
impl BlockRule {
    pub(super) fn fixed(length: usize, start: Mask, end: Mask) -> Self {
        Self::Fixed(FixedRule { length: Spanned::new(0..0, length), start, end })
    }

    /// The field is at a byte counted from 1.
    pub(super) fn prefixed(start: Mask, at: usize, order: Option<ByteOrder>, add: usize, longest: usize) -> Self {
        let length = LengthField {
            at: crate::units::Index(at - 1),
            size: LengthSize::nearest(if order.is_some() { 2 } else { 1 }),
            order,
            add,
        };
        let length = Spanned::new(0..0, length);
        Self::Prefixed(PrefixedRule { length, longest: LongestFrame::nearest(longest), start, end: Mask::default() })
    }

    pub(super) fn indexed(length: usize) -> Self {
        Self::Indexed(IndexedRule { length: IndexedLength::nearest(length) })
    }
}

#[cfg(test)]
impl Mask {
    /// These bytes.
    pub(super) fn of(bytes: &[u8]) -> Self {
        Self(bytes.iter().map(|byte| (*byte, 0xff)).collect())
    }
}

#[inline]
fn ended(bytes: &[u8], length: usize, end: &Mask) -> BlockMatch {
    match bytes.get(..length) {
        None => BlockMatch::Incomplete,
        Some(frame) if end.fits(&frame[length - end.len()..]) => BlockMatch::Frame(length),
        Some(_) => BlockMatch::NoFrame,
    }
}

/// After this many bytes without a frame a problem is reported, not only when the next frame is found.
const REPORT_AFTER: usize = 1024;

/// The first of them, which the problem quotes.
const SHOWN: usize = 32;

/// Cuts such frames.
#[derive(Debug)]
pub(in crate::protocol) struct BlockFramer {
    rule: BlockRule,
    /// Bytes not yet handed out or skipped: fewer than a frame between pushes.
    begun: Vec<u8>,
    search: BlockSearch,
}

/// How the search for the next frame goes.
#[derive(Debug, Default)]
struct BlockSearch {
    state: BlockState,
    /// Bytes skipped since the last frame or report.
    skipped: usize,
    /// The first of them.
    head: Vec<u8>,
    /// Length of the refused frame that was reported: skipping its bytes is not reported again.
    reported: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum BlockState {
    /// The last frame ended right here.
    #[default]
    InStep,
    Searching,
}

impl BlockFramer {
    pub(crate) fn new(rule: BlockRule) -> Self {
        Self { rule, begun: Vec::new(), search: BlockSearch::default() }
    }

    pub(crate) fn push(&mut self, bytes: &[u8], mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.begun.is_empty() {
            let taken = self.take(bytes, &mut found);
            self.begun.extend_from_slice(&bytes[taken..]);
            return;
        }
        let mut begun = std::mem::take(&mut self.begun);
        begun.extend_from_slice(bytes);
        let taken = self.take(&begun, &mut found);
        begun.drain(..taken);
        self.begun = begun;
    }

    pub(crate) fn cut_off(&mut self, why: Defect, mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        self.search.end(&mut found);
        if !self.begun.is_empty() {
            found(FramerOutput::Refused(&self.begun, DecodeError::whole(why)));
        }
        self.begun.clear();
    }

    /// Hands out what is complete; how many bytes are done with.
    fn take(&mut self, bytes: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) -> usize {
        let mut at = 0;
        while at < bytes.len() {
            match self.rule.match_start(&bytes[at..]) {
                BlockMatch::Incomplete => break,
                BlockMatch::NoFrame => {
                    self.search.skip(bytes[at], found);
                    at += 1;
                }
                BlockMatch::Frame(length) => {
                    let frame = &bytes[at..at + length];
                    let cut = match self.search.state {
                        BlockState::InStep => FramerOutput::Frame(frame, length),
                        BlockState::Searching => FramerOutput::Trial(frame, length),
                    };
                    if found(cut) == Acceptance::Accepted {
                        self.search.end(found);
                        at += length;
                        continue;
                    }
                    if self.search.state == BlockState::InStep {
                        self.search.reported = length;
                    }
                    self.search.skip(bytes[at], found);
                    at += 1;
                }
            }
        }
        at
    }
}

impl BlockSearch {
    fn skip(&mut self, byte: u8, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        self.state = BlockState::Searching;
        self.skipped += 1;
        if self.head.len() < SHOWN {
            self.head.push(byte);
        }
        if self.skipped >= REPORT_AFTER {
            self.report(found);
        }
    }

    /// A frame was found, or nothing more will come.
    #[inline]
    fn end(&mut self, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.state == BlockState::Searching {
            self.report(found);
            self.state = BlockState::InStep;
        }
    }

    fn report(&mut self, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.skipped > self.reported {
            found(FramerOutput::Refused(&self.head, DecodeError::whole(Defect::NoFrame { bytes: self.skipped })));
        }
        (self.skipped, self.reported) = (0, 0);
        self.head.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::frame::tests::check;

    #[test]
    fn fixed_frames_between_marks() {
        let rule = BlockRule::fixed(4, Mask::of(&[0xaa]), Mask::of(&[0x0d]));
        check(
            || BlockFramer::new(rule.clone()),
            &[0xaa, 1, 2, 0x0d, 0xaa, 0xaa, 3, 4, 0x0d, 7, 0xaa, 5, 6, 0x0d, 0xaa, 1],
            &[
                "aa01020d (4)",
                "aa03040d (4)",
                "NoFrame { bytes: 1 } aa",
                "aa05060d (4)",
                "NoFrame { bytes: 1 } 07",
                "Partial aa01",
            ],
        );
    }

    #[test]
    fn some_bits_of_a_mark() {
        let rule = BlockRule::fixed(2, Mask(vec![(0x20, 0xf0)]), Mask::default());
        check(
            || BlockFramer::new(rule.clone()),
            &[0x21, 1, 0x2f, 2, 0x11],
            &["2101 (2)", "2f02 (2)", "NoFrame { bytes: 1 } 11"],
        );
    }

    #[test]
    fn a_refused_frame_is_searched_for_another() {
        // The test's verdict refuses frames that hold FF.
        let rule = BlockRule::fixed(3, Mask::of(&[0xaa]), Mask::default());
        check(
            || BlockFramer::new(rule.clone()),
            &[0xaa, 0xff, 0xaa, 1, 2, 0xaa, 3, 4],
            &["refused aaffaa", "aa0102 (3)", "aa0304 (3)"],
        );
    }

    #[test]
    fn a_length_in_the_frame() {
        let rule = BlockRule::prefixed(Mask::of(&[0x7e]), 2, None, 2, 6);
        check(
            || BlockFramer::new(rule.clone()),
            &[0x7e, 1, 9, 0x7e, 0, 0x7e, 200, 0x7e, 2, 8, 8],
            &["7e0109 (3)", "7e00 (2)", "7e020808 (4)", "NoFrame { bytes: 2 } 7ec8"],
        );
        let rule = BlockRule::prefixed(Mask::default(), 1, Some(ByteOrder::Little), 0, 300);
        check(|| BlockFramer::new(rule.clone()), &[3, 0, 9, 4, 0, 8, 8], &["030009 (3)", "04000808 (4)"]);
    }

    #[test]
    fn each_byte_shows_its_place() {
        let rule = BlockRule::indexed(3);
        check(
            || BlockFramer::new(rule.clone()),
            &[0x22, 0x30, 0x1a, 0x2b, 0x3c, 0x1a, 0x1b, 0x2c, 0x3d],
            &["1a2b3c (3)", "NoFrame { bytes: 2 } 2230", "1b2c3d (3)", "NoFrame { bytes: 1 } 1a"],
        );
    }

    #[test]
    fn endless_noise_is_reported_now_and_then() {
        let mut block = BlockFramer::new(BlockRule::indexed(14));
        let mut reported = 0;
        block.push(&vec![0; 10_000], |_| {
            reported += 1;
            Acceptance::Accepted
        });
        assert_eq!(reported, 10_000 / REPORT_AFTER);
        assert!(block.begun.len() < 14);
    }
}
