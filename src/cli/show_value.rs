//! Formats values for reading.

use crate::{
    protocol::Value,
    session::RangeEnd,
    store::read::CaptureRow,
    units::{Quantity, show, show_digits, show_with},
};

/// Beyond the range, as displays show it, and the same downwards.
const OVER: &str = "OL";
const UNDER: &str = "-OL";

/// A value as a meter or clamp gave it, with its unit and as many digits as it showed, where the last one is known.
pub(super) fn value(value: Value, digit: Option<f64>, quantity: Option<Quantity>) -> String {
    match value {
        Value::Number(value) => show_digits(value, digit, quantity.unwrap_or(Quantity::Number)),
        Value::Over => OVER.to_owned(),
        Value::Under => UNDER.to_owned(),
    }
}

/// A stored number, with its unit; `–` where there is none.
pub(super) fn number(number: Option<f64>, quantity: Option<Quantity>) -> String {
    number.map_or("–".to_owned(), |number| show(number, quantity.unwrap_or(Quantity::Number)))
}

/// A captured value with its expanded uncertainty (k = 2) where that is known, and what the meter showed where that is
/// another value.
pub(super) fn captured(capture: &CaptureRow) -> String {
    let shown = capture.measured.filter(|shown| capture.value != Some(*shown));
    let shown = shown.map_or(String::new(), |shown| format!(" ({} shown)", number(Some(shown), capture.quantity)));
    judged(capture) + &shown
}

fn judged(capture: &CaptureRow) -> String {
    if let Some(answer) = capture.answer {
        return answer.word().to_owned();
    }
    match (capture.value, capture.u, capture.beyond) {
        (Some(value), Some(u), _) => show_with(value, 2.0 * u, capture.quantity.unwrap_or(Quantity::Number)),
        (None, _, Some(RangeEnd::Over)) => OVER.to_owned(),
        (None, _, Some(RangeEnd::Under)) => UNDER.to_owned(),
        (value, ..) => number(value, capture.quantity),
    }
}

/// The limits of a step; `–` where it has none.
pub(super) fn limits(low: Option<f64>, high: Option<f64>, quantity: Option<Quantity>) -> String {
    let show = |limit| number(Some(limit), quantity);
    match (low, high) {
        (Some(low), Some(high)) => format!("{} to {}", show(low), show(high)),
        (Some(low), None) => format!("at least {}", show(low)),
        (None, Some(high)) => format!("at most {}", show(high)),
        (None, None) => "–".to_owned(),
    }
}
