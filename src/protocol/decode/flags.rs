//! Bits of a frame that say what the display shows beside the digits.

use super::shown::{DisplayEffect, DisplayState};
use crate::protocol::{
    checksum::hex,
    problem::{DecodeError, Defect},
};

/// A bit and what it says.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct FlagRule {
    pub bit: Bit,
    /// Whether the byte is the bits or a hexadecimal digit that tells them.
    pub form: BitsForm,
    /// Another byte must have this value, else the bit says nothing.
    pub when: Option<(usize, u8)>,
    /// What it says when set.
    pub set: Vec<DisplayEffect>,
    /// What it says when clear.
    pub clear: Vec<DisplayEffect>,
    /// The only value that it says it of; all where none is named.
    pub of: Option<u16>,
}

/// A bit of a frame: byte from 0, bit from 0 for the least significant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::protocol) struct Bit {
    pub byte: usize,
    pub mask: u8,
}

impl Bit {
    /// The caller has checked that the frame is long enough.
    #[inline]
    pub(crate) fn is_set(self, frame: &[u8]) -> bool {
        frame[self.byte] & self.mask != 0
    }
}

/// How bits are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub(in crate::protocol) enum BitsForm {
    #[default]
    Binary,
    Hex,
}

impl FlagRule {
    /// The last byte that it looks at.
    pub(crate) fn last_byte(&self) -> usize {
        self.when.map_or(0, |(at, _)| at).max(self.bit.byte)
    }

    /// Adds what it says. The caller has checked that the frame is long enough.
    #[inline]
    pub(crate) fn add_to(&self, shown: &mut DisplayState, frame: &[u8]) -> Result<(), DecodeError> {
        if self.when.is_some_and(|(at, value)| frame[at] != value) {
            return Ok(());
        }
        let at = self.bit.byte;
        let bits = match self.form {
            BitsForm::Binary => frame[at],
            BitsForm::Hex => hex(frame[at]).ok_or(DecodeError::at(at..at + 1, Defect::NotHex))?,
        };
        shown.add_all(if bits & self.bit.mask != 0 { &self.set } else { &self.clear });
        Ok(())
    }
}
