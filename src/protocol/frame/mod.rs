//! Bytes are cut into frames. A framer knows ends and lengths, never what a frame means.
//!
//! A framer gives the same cuts however its bytes were split into chunks, and finds its way back
//! after any damage.

mod block;
mod cobs;
mod line;
mod slip;
mod stuffed;

#[cfg(test)]
pub(super) mod tests;

pub(super) use block::{BlockFramer, BlockRule, LengthField, Mask};
pub(super) use line::{LineFramer, LineRule};
pub(super) use stuffed::{StuffedFramer, StuffedRule, Stuffing};

use super::problem::DecodeError;

/// What a framer found.
pub(super) enum FramerOutput<'a> {
    /// A frame without its end, and how many bytes came for it in all.
    Frame(&'a [u8], usize),
    /// The same after damage: bytes that may be the middle of a frame, so that refusing them is
    /// no news.
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
    Stuffed(StuffedRule),
    Block(BlockRule),
}

impl FrameRule {
    /// Ends the text of an example as the device would.
    pub(super) fn complete(&self, mut text: Vec<u8>) -> Vec<u8> {
        if let Self::Line(rule) = self
            && !text.ends_with(&rule.terminator)
        {
            text.extend_from_slice(&rule.terminator);
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
            FrameRule::Stuffed(rule) => Self::Stuffed(StuffedFramer::new(*rule)),
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

    /// The port went away: a frame that was begun will never be completed.
    pub(super) fn lost(&mut self, found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        match self {
            Self::Line(line) => line.lost(found),
            Self::Stuffed(stuffed) => stuffed.lost(found),
            Self::Block(block) => block.lost(found),
        }
    }
}
