//! Formats stored values for reading.

use crate::{
    store::read::CaptureRow,
    units::{Quantity, show, show_with},
};

/// A value in the base unit of a quantity given by its word.
pub(super) fn value(value: Option<f64>, beyond: Option<i64>, quantity: Option<&str>) -> String {
    match (value, beyond) {
        (Some(value), _) => show(value, self::quantity(quantity)),
        (None, Some(beyond)) if beyond > 0 => "over range".to_owned(),
        (None, Some(_)) => "under range".to_owned(),
        (None, None) => "–".to_owned(),
    }
}

/// A captured value with its expanded uncertainty (k = 2) where that is known.
pub(super) fn captured(capture: &CaptureRow) -> String {
    let quantity = quantity(capture.quantity.as_deref());
    match (capture.value, capture.u) {
        (Some(value), Some(u)) => show_with(value, 2.0 * u, quantity),
        _ => value(capture.value, capture.beyond, capture.quantity.as_deref()),
    }
}

fn quantity(word: Option<&str>) -> Quantity {
    word.and_then(|word| word.parse().ok()).unwrap_or(Quantity::Number)
}

/// The limits of a step; `–` where it has none.
pub(super) fn limits(low: Option<f64>, high: Option<f64>, quantity: Option<&str>) -> String {
    let show = |limit| value(Some(limit), None, quantity);
    match (low, high) {
        (Some(low), Some(high)) => format!("{} to {}", show(low), show(high)),
        (Some(low), None) => format!("at least {}", show(low)),
        (None, Some(high)) => format!("at most {}", show(high)),
        (None, None) => "–".to_owned(),
    }
}
