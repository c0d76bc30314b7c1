//! Values as a person writes them: `"100 mV/A"`, `"7.5 ohm ± 8 %"`, `"0.5 % + 2 digits"`.
//!
//! Everything is parsed once, into types that cannot be wrong, and held in the base unit of its
//! dimension (volt, ampere, ohm, hertz, second …) as `f64`. This folder knows no file, no meter
//! and no step.
//!
//! Reading order: `dimension` and `quantity` (what is measured), `measure` and `limit` (values with units), `scale`,
//! `accuracy` and `data_sheet` (clamps and the accuracy of meters), `show` and `as_written` (how they are
//! written), `spoken` (how they are said); `whole` (whole numbers within bounds).

mod accuracy;
mod as_written;
mod data_sheet;
mod dimension;
mod limit;
mod measure;
mod quantity;
mod scale;
mod show;
mod spoken;
mod whole;

pub use accuracy::Accuracy;
pub use as_written::AsWritten;
pub(crate) use data_sheet::{ApplicableAccuracy, DataSheet, DataSheetRow, row_text};
pub(crate) use dimension::{Dimension, Unit};
pub use limit::Limit;
pub use measure::Measure;
pub(crate) use measure::{parse_duration, split_number};
pub(crate) use quantity::Quantity;
pub(crate) use scale::Scale;
pub(crate) use show::{ValueFormat, show, show_duration, show_given, show_seconds, show_with};
pub(crate) use spoken::{sentence, spoken, spoken_difference, spoken_sentence, spoken_value};
pub(crate) use whole::{Index, WholeNumber};

use crate::words::{WordError, from_text};

/// A text that should have been a value with a unit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// The text does not have the form that is needed here.
    #[error("found \"{found}\", expected {expected}")]
    Form {
        /// What was written.
        found: String,
        /// What should have been written, with an example.
        expected: &'static str,
    },
    /// There is no unit where one is needed.
    #[error(
        "found no unit behind the number, expected one of V, A, ohm, Hz, s, °C, %, W, F, Pa, bar, km/h, rpm, count, with n, u, m, k or M before it where that is usual"
    )]
    NoUnit,
    /// The unit is none that bayline knows.
    #[error(
        "found the unit \"{found}\", expected one of V, A, ohm, Hz, s, °C, %, W, F, Pa, bar, km/h, rpm, count, with n, u, m, k or M before it where that is usual"
    )]
    UnknownUnit {
        /// What was written.
        found: String,
    },
    /// A capital M before a unit of which nobody measures a million.
    #[error("found the unit \"{found}\", which would be mega; expected \"{milli}\" where milli is meant")]
    Mega {
        /// What was written.
        found: String,
        /// The same with a small m.
        milli: String,
    },
    /// The quantity is none that bayline knows.
    #[error(transparent)]
    UnknownQuantity(#[from] WordError),
    /// Two values that belong together have different units.
    #[error("found \"{found}\", expected both values in the same unit")]
    Mixed {
        /// What was written.
        found: String,
    },
    /// The values are in the wrong order or of the wrong sign.
    #[error("found \"{found}\", expected {expected}")]
    Order {
        /// What was written.
        found: String,
        /// What the order should be.
        expected: &'static str,
    },
}

from_text!(Accuracy, Measure, Scale);
