//! One number a line, with or without a unit.

use serde::Deserialize;

use super::{DecodeOutcome, FrameDecoder, Sink, text};
use crate::protocol::{
    names::ValueName,
    number::{NumberReader, OverloadWords},
    problem::DecodeError,
    tables::independent_keys,
};

/// What such a line is.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(in crate::protocol) struct NumberRule {
    pub name: ValueName,
    overload: OverloadWords,
}

independent_keys!(NumberRule);

/// Reads such lines.
#[derive(Debug)]
pub(in crate::protocol) struct NumberDecoder {
    number_reader: NumberReader,
}

impl NumberDecoder {
    pub(crate) fn new(rule: NumberRule) -> Self {
        Self { number_reader: NumberReader::new(rule.overload) }
    }
}

impl FrameDecoder for NumberDecoder {
    fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        // The only fixed name has the number 0.
        sink.numbered(0, self.number_reader.read(text(frame)?), 0..frame.len())?;
        Ok(DecodeOutcome::Frame)
    }
}
