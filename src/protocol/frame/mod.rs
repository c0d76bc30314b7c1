//! Bytes are cut into frames. A framer knows ends and lengths, never what a frame means.
//!
//! A framer gives the same cuts however its bytes were split into chunks, and finds its way back
//! after any damage.

mod line;

pub(super) use line::{Line, LineRule};

use super::problem::Fault;

/// What a framer found.
pub(super) enum Cut<'a> {
    /// A frame without its end, and how many bytes came for it in all.
    Frame(&'a [u8], usize),
    /// Bytes that belong to no frame: their beginning, and why they are none.
    Refused(&'a [u8], Fault),
}

/// How a protocol's bytes are cut.
#[derive(Debug, Clone)]
pub(super) enum FrameRule {
    Line(LineRule),
}

impl FrameRule {
    /// Ends the text of an example as the device would.
    pub fn complete(&self, mut text: Vec<u8>) -> Vec<u8> {
        match self {
            Self::Line(rule) => {
                if !text.ends_with(&rule.terminator) {
                    text.extend_from_slice(&rule.terminator);
                }
                text
            }
        }
    }
}

/// The framer of one port.
#[derive(Debug)]
pub(super) enum Framer {
    Line(Line),
}

impl Framer {
    pub fn new(rule: &FrameRule) -> Self {
        match rule {
            FrameRule::Line(rule) => Self::Line(Line::new(rule.clone())),
        }
    }

    /// Takes bytes in, and hands out every frame that they complete.
    #[inline]
    pub fn push(&mut self, bytes: &[u8], found: impl FnMut(Cut<'_>)) {
        match self {
            Self::Line(line) => line.push(bytes, found),
        }
    }

    /// The port went away: a frame that was begun will never be completed.
    pub fn lost(&mut self, found: impl FnMut(Cut<'_>)) {
        match self {
            Self::Line(line) => line.lost(found),
        }
    }
}
