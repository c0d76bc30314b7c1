//! Formats stored values for reading.

use crate::{
    store::read::CaptureRow,
    units::{Limit, Quantity, ValueFormat},
};

/// A stored number with as many digits as its meter showed; `–` where there is none.
pub(super) fn measured(number: Option<f64>, format: ValueFormat) -> String {
    number.map_or("–".to_owned(), |number| format.show(number))
}

/// A captured value with its expanded uncertainty (k = 2) where that is known, and what the meter showed where that is
/// another value.
pub(super) fn captured(capture: &CaptureRow) -> String {
    let shown = capture.measured.filter(|shown| capture.value != Some(*shown));
    let shown = shown.map_or(String::new(), |shown| format!(" ({} shown)", capture.format().show(shown)));
    capture.shown().unwrap_or("–".to_owned()) + &shown
}

/// The limits of a step; `–` where it has none.
pub(super) fn limits(low: Option<f64>, high: Option<f64>, quantity: Option<Quantity>) -> String {
    if low.is_none() && high.is_none() {
        return "–".to_owned();
    }
    Limit { low, high, dimension: quantity.unwrap_or(Quantity::Number).dimension() }.to_string()
}
