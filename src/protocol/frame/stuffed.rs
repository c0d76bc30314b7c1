//! Frames that end with a byte which is nowhere else in them: COBS and SLIP.

use memchr::memchr;
use serde::Deserialize;

use super::{Acceptance, FramerOutput, cobs, slip};
use crate::protocol::{
    problem::{DecodeError, Defect},
    tables::independent_keys,
    values::{LongestFrame, longest_block},
};

/// What such a frame is.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct StuffedRule {
    /// Bytes on the wire, without the end.
    #[serde(default = "longest_block")]
    pub longest: LongestFrame,
}

independent_keys!(StuffedRule);

/// How the end is kept out of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::protocol) enum Stuffing {
    Cobs,
    Slip,
}

impl Stuffing {
    /// The byte that ends a frame.
    pub(crate) fn end(self) -> u8 {
        match self {
            Self::Cobs => 0,
            Self::Slip => slip::END,
        }
    }
}

/// Cuts such frames. Whole ones are read from the chunk itself; only the last, unfinished one is
/// copied.
#[derive(Debug)]
pub(in crate::protocol) struct StuffedFramer {
    stuffing: Stuffing,
    longest: usize,
    /// What came of a frame that is not finished; at most the longest.
    begun: Vec<u8>,
    state: StuffedState,
    /// The frame at hand without its stuffing; kept for its memory.
    plain: Vec<u8>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum StuffedState {
    Reading,
    /// An over-long frame was reported; the rest of it is skipped.
    Skipping,
}

impl StuffedFramer {
    pub(crate) fn new(stuffing: Stuffing, rule: StuffedRule) -> Self {
        let longest = rule.longest.get();
        Self { stuffing, longest, begun: Vec::new(), state: StuffedState::Reading, plain: Vec::new() }
    }

    pub(crate) fn push(&mut self, bytes: &[u8], mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        let mut start = 0;
        while let Some(length) = memchr(self.stuffing.end(), &bytes[start..]) {
            let piece = &bytes[start..start + length];
            start += length + 1;
            if self.state == StuffedState::Reading && self.begun.is_empty() && length <= self.longest {
                self.hand_out(piece, &mut found);
                continue;
            }
            self.buffer(piece, &mut found);
            if self.state == StuffedState::Reading {
                let encoded = std::mem::take(&mut self.begun);
                self.hand_out(&encoded, &mut found);
                self.begun = encoded;
            }
            self.begun.clear();
            self.state = StuffedState::Reading;
        }
        self.buffer(&bytes[start..], &mut found);
    }

    pub(crate) fn cut_off(&mut self, why: Defect, mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if !self.begun.is_empty() {
            found(FramerOutput::Refused(&self.begun, DecodeError::whole(why)));
        }
        self.begun.clear();
        self.state = StuffedState::Reading;
    }

    fn hand_out(&mut self, encoded: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        self.plain.clear();
        let read = match self.stuffing {
            Stuffing::Cobs => cobs::unstuff(encoded, &mut self.plain),
            Stuffing::Slip => slip::unescape(encoded, &mut self.plain),
        };
        match read {
            Ok(()) => found(FramerOutput::Frame(&self.plain, encoded.len() + 1)),
            Err(error) => found(FramerOutput::Refused(encoded, error)),
        };
    }

    /// Buffers a part of a frame; one that is too long is reported once.
    fn buffer(&mut self, bytes: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.state == StuffedState::Skipping {
            return;
        }
        let longest = self.longest;
        let room = longest - self.begun.len();
        self.begun.extend_from_slice(&bytes[..bytes.len().min(room)]);
        if bytes.len() > room {
            found(FramerOutput::Refused(&self.begun, DecodeError::whole(Defect::TooLong { longest })));
            self.begun.clear();
            self.state = StuffedState::Skipping;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::frame::tests::check;

    #[test]
    fn frames_end_with_their_byte() {
        let framer = || StuffedFramer::new(Stuffing::Cobs, StuffedRule { longest: LongestFrame::nearest(8) });
        check(
            framer,
            &[0, 3, 1, 2, 0, 0, 1, 1, 0, 9, 1, 0, 2, 7],
            &[" (1)", "0102 (4)", " (1)", "00 (3)", "Stuffing 0901", "Partial 0207"],
        );
        let framer = || StuffedFramer::new(Stuffing::Slip, StuffedRule { longest: LongestFrame::nearest(8) });
        check(
            framer,
            &[0xc0, 1, 0xdb, 0xdc, 0xc0, 0xdb, 0xc0, 2, 0xc0],
            &[" (1)", "01c0 (4)", "Stuffing db", "02 (2)"],
        );
    }

    #[test]
    fn an_over_long_frame_is_reported_once_and_skipped() {
        let framer = || StuffedFramer::new(Stuffing::Slip, StuffedRule { longest: LongestFrame::nearest(3) });
        check(
            framer,
            &[1, 2, 3, 0xc0, 1, 2, 3, 4, 5, 0xc0, 9, 0xc0, 1, 2, 3, 4],
            &["010203 (4)", "TooLong { longest: 3 } 010203", "09 (2)", "TooLong { longest: 3 } 010203"],
        );
    }
}
