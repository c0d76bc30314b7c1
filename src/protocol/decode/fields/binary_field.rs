//! A number in a frame: where it is and how it is written.

use std::ops::Range;

use strum::{EnumMessage, VariantArray};

use crate::{protocol::values::ByteOrder, words::words};

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(in crate::protocol) enum FieldKind {
    #[strum(serialize = "u8")]
    U8,
    #[strum(serialize = "i8")]
    I8,
    #[strum(serialize = "u16")]
    U16,
    #[strum(serialize = "i16")]
    I16,
    #[strum(serialize = "u24")]
    U24,
    #[strum(serialize = "i24")]
    I24,
    #[strum(serialize = "u32")]
    U32,
    #[strum(serialize = "i32")]
    I32,
    #[strum(serialize = "f32")]
    F32,
    #[strum(serialize = "f64")]
    F64,
}
words!(FieldKind);

impl FieldKind {
    /// Bytes that it fills.
    pub(crate) fn size(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U24 | Self::I24 => 3,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    pub(crate) fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    pub(super) fn is_signed(self) -> bool {
        matches!(self, Self::I8 | Self::I16 | Self::I24 | Self::I32)
    }
}

/// Some bits of a number: in files `[lowest, count]`.
#[derive(Debug, Clone, Copy, serde::Deserialize)]
#[serde(from = "(u32, u32)")]
pub(super) struct BitRange {
    pub(super) lowest: u32,
    pub(super) count: u32,
}

impl From<(u32, u32)> for BitRange {
    fn from((lowest, count): (u32, u32)) -> Self {
        Self { lowest, count }
    }
}

/// A number in a frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct BinaryField {
    /// Counted from 0.
    pub(super) at: usize,
    pub(super) kind: FieldKind,
    pub(super) order: ByteOrder,
    /// Only these of its bits.
    pub(super) bits: Option<BitRange>,
}

impl BinaryField {
    /// Its bytes, counted from 0.
    pub(super) fn bytes(&self) -> Range<usize> {
        self.at..self.at + self.kind.size()
    }

    /// How wide it is, bits.
    pub(super) fn width(&self) -> u32 {
        self.bits.map_or(8 * self.kind.size() as u32, |bits| bits.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words() {
        crate::protocol::tests::check_words::<FieldKind>();
    }
}
