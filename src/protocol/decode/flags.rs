//! Bits of a frame for what the display shows beside the digits.

use std::str::FromStr;

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use super::display::{DisplayEffects, DisplayState};
use crate::{
    mistake::{Mistake, Source},
    protocol::{
        problem::{DecodeError, Defect},
        values::{Bit, ByteIndex, hex_digit},
    },
    words::{from_text, words},
};

/// A bit and what the display shows with it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct FlagRule {
    pub bit: Bit,
    /// Whether the byte holds the bits, or is a hexadecimal digit of them.
    #[serde(default)]
    pub form: BitsForm,
    /// Another byte must have this value, else the bit is ignored.
    pub when: Option<FlagCondition>,
    /// What the display shows where the bit is set.
    pub shows: DisplayEffects,
    /// What it shows where the bit is clear.
    #[serde(default)]
    pub otherwise: DisplayEffects,
    /// The only value that it concerns; all where none is named.
    pub of: Option<Spanned<String>>,
}

/// How bits are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub(in crate::protocol) enum BitsForm {
    #[default]
    #[strum(serialize = "binary")]
    Binary,
    #[strum(serialize = "hex")]
    Hex,
}
words!(BitsForm);

/// When a flag counts.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct FlagCondition {
    at: ByteIndex,
    is: CodeByte,
}

/// A byte: a character, or as in `0x3b`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct CodeByte(u8);

impl FromStr for CodeByte {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let byte = match text.as_bytes() {
            [byte] => Some(*byte),
            _ => text.strip_prefix("0x").and_then(|digits| u8::from_str_radix(digits, 16).ok()),
        };
        byte.map(Self).ok_or("expected `is` to be a character, or a byte as in \"0x3b\"")
    }
}

from_text!(CodeByte);

impl FlagRule {
    /// The last byte that it needs.
    pub(crate) fn last_byte(&self) -> usize {
        self.when.as_ref().map_or(0, |when| when.at.0).max(self.bit.byte)
    }

    /// Adds what the display shows. The caller has checked that the frame is long enough.
    #[inline]
    pub(crate) fn add_to(&self, shown: &mut DisplayState, frame: &[u8]) -> Result<(), DecodeError> {
        if self.when.as_ref().is_some_and(|when| frame[when.at.0] != when.is.0) {
            return Ok(());
        }
        let at = self.bit.byte;
        let bits = match self.form {
            BitsForm::Binary => frame[at],
            BitsForm::Hex => hex_digit(frame[at]).ok_or(DecodeError::at(at..at + 1, Defect::NotHex))?,
        };
        shown.add_all(if bits & self.bit.mask != 0 { &self.shows } else { &self.otherwise });
        Ok(())
    }

    /// Where it names a value, that must be the frame's only one.
    pub(super) fn check_only_value(flags: &[Self], name: &str, source: Source<'_>) -> Result<(), Mistake> {
        let others = flags.iter().filter_map(|flag| flag.of.as_ref()).find(|of| of.get_ref() != name);
        others.map_or(Ok(()), |of| Err(unknown_value(of, source)))
    }
}

/// A name that none of the frame's values has.
pub(super) fn unknown_value(of: &Spanned<String>, source: Source<'_>) -> Mistake {
    source.mistake(of.span(), format!("found \"{}\", expected a value's name", of.get_ref()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words() {
        crate::protocol::tests::check_words::<BitsForm>();
    }
}
