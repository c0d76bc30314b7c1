//! Bytes are cut into frames. A framer knows ends and lengths, never what a frame means.
//!
//! A framer gives the same frames however its bytes were split into chunks, and finds the next frame
//! after any damage.
//!
//! Reading order: this file (the kinds of frames), `line`, `stuffed` with `slip` and `cobs`, `block`.

mod block;
mod cobs;
mod line;
mod slip;
mod stuffed;

#[cfg(test)]
pub(super) mod tests;

use block::{BlockFramer, BlockRule};
use line::{LineFramer, LineRule};
use stuffed::{StuffedFramer, StuffedRule, Stuffing};

use strum::{EnumMessage, VariantArray};

use super::{
    problem::{DecodeError, Defect},
    tables::{EarlierParts, KindTable},
};
use crate::{mistake::Mistake, words::words};

/// The kinds of `[frame]`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(in crate::protocol) enum FrameKind {
    #[strum(serialize = "line")]
    Line,
    #[strum(serialize = "fixed")]
    Fixed,
    #[strum(serialize = "indexed-nibbles")]
    IndexedNibbles,
    #[strum(serialize = "length-prefixed")]
    LengthPrefixed,
    #[strum(serialize = "cobs")]
    Cobs,
    #[strum(serialize = "slip")]
    Slip,
}
words!(FrameKind);

/// What a framer hands out.
pub(super) enum FramerOutput<'a> {
    /// A frame without its end, and how many bytes came for it in all.
    Frame(&'a [u8], usize),
    /// The same after damage: bytes that may be the middle of a frame, so that their refusal is
    /// not reported.
    Trial(&'a [u8], usize),
    /// Bytes that belong to no frame: their beginning, and why they are none.
    Refused(&'a [u8], DecodeError),
}

/// What the decoder made of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Acceptance {
    Accepted,
    /// It is no frame of the protocol.
    Rejected,
}

/// How a protocol's bytes are cut.
#[derive(Debug, Clone)]
pub(super) enum FrameRule {
    Line(LineRule),
    Stuffed(Stuffing, StuffedRule),
    Block(BlockRule),
}

impl FrameRule {
    /// Reads `[frame]`.
    pub(super) fn read(table: KindTable<'_>, parts: EarlierParts<'_>) -> Result<Self, Mistake> {
        Ok(match table.kind()? {
            FrameKind::Line => Self::Line(table.read(parts)?),
            FrameKind::Cobs => Self::Stuffed(Stuffing::Cobs, table.read(parts)?),
            FrameKind::Slip => Self::Stuffed(Stuffing::Slip, table.read(parts)?),
            FrameKind::IndexedNibbles => Self::Block(BlockRule::Indexed(table.read(parts)?)),
            FrameKind::Fixed => Self::Block(BlockRule::Fixed(table.read(parts)?)),
            FrameKind::LengthPrefixed => Self::Block(BlockRule::Prefixed(table.read(parts)?)),
        })
    }

    pub(super) fn is_line(&self) -> bool {
        matches!(self, Self::Line(_))
    }

    /// Ends the text of an example as the device would.
    pub(super) fn with_end(&self, mut text: Vec<u8>) -> Vec<u8> {
        if let Self::Line(rule) = self
            && !rule.terminator.ends(&text)
        {
            text.extend_from_slice(rule.terminator.usual());
        }
        text
    }
}

/// The framer of one port.
#[derive(Debug)]
pub(super) enum Framer {
    Line(LineFramer),
    Stuffed(StuffedFramer),
    Block(BlockFramer),
}

impl Framer {
    pub(super) fn new(rule: &FrameRule) -> Self {
        match rule {
            FrameRule::Line(rule) => Self::Line(LineFramer::new(rule.clone())),
            FrameRule::Stuffed(stuffing, rule) => Self::Stuffed(StuffedFramer::new(*stuffing, *rule)),
            FrameRule::Block(rule) => Self::Block(BlockFramer::new(rule.clone())),
        }
    }

    /// Takes bytes in, and hands out every frame that they complete.
    #[inline]
    pub(super) fn push(&mut self, bytes: &[u8], found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        match self {
            Self::Line(line) => line.push(bytes, found),
            Self::Stuffed(stuffed) => stuffed.push(bytes, found),
            Self::Block(block) => block.push(bytes, found),
        }
    }

    /// Whether these bytes go on with a line that was begun, and no further. More bytes behind its end would have waited
    /// somewhere: then the pause before them was none of the meter's.
    pub(super) fn ends_begun_line(&self, bytes: &[u8]) -> bool {
        matches!(self, Self::Line(line) if line.ends_begun(bytes))
    }

    /// A frame that was begun will never be completed: the port went away, or bytes were lost.
    pub(super) fn cut_off(&mut self, why: Defect, found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        match self {
            Self::Line(line) => line.cut_off(why, found),
            Self::Stuffed(stuffed) => stuffed.cut_off(why, found),
            Self::Block(block) => block.cut_off(why, found),
        }
    }
}
