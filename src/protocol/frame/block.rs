//! Frames known by their form alone: of a fixed length between marks, with their length in them,
//! or with each byte's place in its high half.
//!
//! Bytes in a frame may look like the beginning of another. So what looks like a frame is handed
//! out, and where it is refused, the search goes on one byte behind its beginning, never behind
//! its end: the first undamaged frame after any damage is found, unless what came before it
//! passed for a frame, which a checksum makes unlikely.

use super::{Acceptance, FramerOutput};
use crate::protocol::problem::{DecodeError, Defect};

/// What such a frame is.
#[derive(Debug, Clone)]
pub(in crate::protocol) enum BlockRule {
    /// So many bytes, with marks at both ends.
    Fixed { length: usize, start: Mask, end: Mask },
    /// A field says how many.
    Prefixed { start: Mask, end: Mask, field: LengthField, longest: usize },
    /// The high half of byte n is n, from 1 to the length (at most 15).
    Indexed { length: u8 },
}

/// Bytes of which some bits are known.
#[derive(Debug, Clone, Default)]
pub(in crate::protocol) struct Mask(pub Vec<(u8, u8)>);

/// Where a frame tells its length.
#[derive(Debug, Clone, Copy)]
pub(in crate::protocol) struct LengthField {
    /// Counted from 0.
    pub at: usize,
    /// Its own bytes: 1 or 2.
    pub size: usize,
    pub order: crate::protocol::checksum::ByteOrder,
    /// What makes its value the length of the whole frame.
    pub add: usize,
}

/// What stands at some bytes.
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

    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }
}

impl LengthField {
    fn read(&self, bytes: &[u8]) -> Option<usize> {
        let field = bytes.get(self.at..self.at + self.size)?;
        let little = self.order == crate::protocol::checksum::ByteOrder::Little;
        let at = |index: usize| usize::from(field[if little { self.size - 1 - index } else { index }]);
        Some((0..self.size).fold(0, |value, index| value << 8 | at(index)) + self.add)
    }
}

impl BlockRule {
    fn match_start(&self, bytes: &[u8]) -> BlockMatch {
        match self {
            Self::Fixed { length, start, end } if start.fits(bytes) => ended(bytes, *length, end),
            Self::Prefixed { start, end, field, longest } if start.fits(bytes) => match field.read(bytes) {
                None => BlockMatch::Incomplete,
                Some(length) if length > *longest || length < (field.at + field.size).max(start.len() + end.len()) => {
                    BlockMatch::NoFrame
                }
                Some(length) => ended(bytes, length, end),
            },
            Self::Indexed { length } if (1..=*length).zip(bytes).all(|(place, byte)| byte >> 4 == place) => {
                ended(bytes, usize::from(*length), &Mask::default())
            }
            _ => BlockMatch::NoFrame,
        }
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

/// So many bytes without a frame are told at once, not only when one is found.
const TELL_AFTER: usize = 1024;

/// As many of them are kept to be shown.
const SHOWN: usize = 32;

/// Cuts such frames.
#[derive(Debug)]
pub(in crate::protocol) struct BlockFramer {
    rule: BlockRule,
    /// Bytes not yet handed out or passed over: fewer than a frame between pushes.
    begun: Vec<u8>,
    search: BlockSearch,
}

/// How the search for the next frame goes.
#[derive(Debug, Default)]
struct BlockSearch {
    state: BlockState,
    /// Bytes passed over since the last frame or telling.
    passed: usize,
    /// The first of them.
    head: Vec<u8>,
    /// Bytes of the frame that was refused and told at their beginning: passing over these is no news.
    told: usize,
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

    pub(crate) fn lost(&mut self, mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        self.search.end(&mut found);
        if !self.begun.is_empty() {
            found(FramerOutput::Refused(&self.begun, DecodeError::whole(Defect::Partial)));
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
                    self.search.pass(bytes[at], found);
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
                        self.search.told = length;
                    }
                    self.search.pass(bytes[at], found);
                    at += 1;
                }
            }
        }
        at
    }
}

impl BlockSearch {
    fn pass(&mut self, byte: u8, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        self.state = BlockState::Searching;
        self.passed += 1;
        if self.head.len() < SHOWN {
            self.head.push(byte);
        }
        if self.passed >= TELL_AFTER {
            self.tell(found);
        }
    }

    /// A frame was found, or nothing more will come.
    #[inline]
    fn end(&mut self, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.state == BlockState::Searching {
            self.tell(found);
            self.state = BlockState::InStep;
        }
    }

    fn tell(&mut self, found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.passed > self.told {
            found(FramerOutput::Refused(&self.head, DecodeError::whole(Defect::NoFrame { bytes: self.passed })));
        }
        (self.passed, self.told) = (0, 0);
        self.head.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::{checksum::ByteOrder, frame::tests::check};

    fn mask(bytes: &[u8]) -> Mask {
        Mask(bytes.iter().map(|byte| (*byte, 0xff)).collect())
    }

    #[test]
    fn fixed_frames_between_marks() {
        let rule = BlockRule::Fixed { length: 4, start: mask(&[0xaa]), end: mask(&[0x0d]) };
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
        let rule = BlockRule::Fixed { length: 2, start: Mask(vec![(0x20, 0xf0)]), end: Mask::default() };
        check(
            || BlockFramer::new(rule.clone()),
            &[0x21, 1, 0x2f, 2, 0x11],
            &["2101 (2)", "2f02 (2)", "NoFrame { bytes: 1 } 11"],
        );
    }

    #[test]
    fn a_refused_frame_is_searched_for_another() {
        // The test's verdict refuses frames that hold FF.
        let rule = BlockRule::Fixed { length: 3, start: mask(&[0xaa]), end: Mask::default() };
        check(
            || BlockFramer::new(rule.clone()),
            &[0xaa, 0xff, 0xaa, 1, 2, 0xaa, 3, 4],
            &["refused aaffaa", "aa0102 (3)", "aa0304 (3)"],
        );
    }

    #[test]
    fn a_length_in_the_frame() {
        let field = LengthField { at: 1, size: 1, order: ByteOrder::Big, add: 2 };
        let rule = BlockRule::Prefixed { start: mask(&[0x7e]), end: Mask::default(), field, longest: 6 };
        check(
            || BlockFramer::new(rule.clone()),
            &[0x7e, 1, 9, 0x7e, 0, 0x7e, 200, 0x7e, 2, 8, 8],
            &["7e0109 (3)", "7e00 (2)", "7e020808 (4)", "NoFrame { bytes: 2 } 7ec8"],
        );
        let field = LengthField { at: 0, size: 2, order: ByteOrder::Little, add: 0 };
        let rule = BlockRule::Prefixed { start: Mask::default(), end: Mask::default(), field, longest: 300 };
        check(|| BlockFramer::new(rule.clone()), &[3, 0, 9, 4, 0, 8, 8], &["030009 (3)", "04000808 (4)"]);
    }

    #[test]
    fn each_byte_tells_its_place() {
        let rule = BlockRule::Indexed { length: 3 };
        check(
            || BlockFramer::new(rule.clone()),
            &[0x22, 0x30, 0x1a, 0x2b, 0x3c, 0x1a, 0x1b, 0x2c, 0x3d],
            &["1a2b3c (3)", "NoFrame { bytes: 2 } 2230", "1b2c3d (3)", "NoFrame { bytes: 1 } 1a"],
        );
    }

    #[test]
    fn endless_noise_is_told_now_and_then() {
        let mut block = BlockFramer::new(BlockRule::Indexed { length: 14 });
        let mut told = 0;
        block.push(&vec![0; 10_000], |_| {
            told += 1;
            Acceptance::Accepted
        });
        assert_eq!(told, 10_000 / TELL_AFTER);
        assert!(block.begun.len() < 14);
    }
}
