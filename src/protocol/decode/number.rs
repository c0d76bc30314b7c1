//! One number a line, with or without a unit.

use super::{DecodeOutcome, Sink, text};
use crate::protocol::{number::Numbers, problem::DecodeError};

/// What such a line is.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct NumberRule {
    /// What the value is called.
    pub name: [String; 1],
    /// Words for too much.
    pub overload: Vec<String>,
}

/// Reads such lines.
#[derive(Debug)]
pub(in crate::protocol) struct NumberDecoder {
    numbers: Numbers,
}

impl NumberDecoder {
    pub(crate) fn new(rule: &NumberRule) -> Self {
        Self { numbers: Numbers::new(&rule.overload) }
    }

    pub(crate) fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let text = text(frame)?;
        if text.trim().is_empty() {
            return Ok(DecodeOutcome::NoFrame);
        }
        // The only fixed name has the number 0.
        sink.numbered(0, self.numbers.read(text), 0..frame.len())?;
        Ok(DecodeOutcome::Frame)
    }
}
