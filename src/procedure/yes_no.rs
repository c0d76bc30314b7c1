//! The answer to a step that only asks what is seen: a seal, green crust, the drag of a pin.

use strum::{EnumMessage, VariantArray};

use crate::words::words;

/// The answer to a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
pub enum YesNo {
    /// It is so.
    #[strum(serialize = "yes")]
    Yes,
    /// It is not.
    #[strum(serialize = "no")]
    No,
}

words!(pub YesNo);

impl YesNo {
    /// The other answer.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Yes => Self::No,
            Self::No => Self::Yes,
        }
    }
}
