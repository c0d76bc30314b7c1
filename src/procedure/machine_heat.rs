//! How warm a machine is, as the operator tells it: enough to narrow what a coil's temperature can be.

use strum::{EnumMessage, VariantArray};

use crate::words::words;

/// How warm the machine is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
pub enum MachineHeat {
    /// It stood for hours: its parts are as cold as the place.
    #[strum(serialize = "cold")]
    Cold,
    /// It has been working for a while.
    #[strum(serialize = "warm")]
    Warm,
    /// It has been working hard: oil and coils are hot.
    #[strum(serialize = "hot")]
    Hot,
}

words!(pub MachineHeat);
