//! Formats stored values for reading.

use crate::{
    protocol::Value,
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
    judged(capture) + &shown
}

fn judged(capture: &CaptureRow) -> String {
    if let Some(answer) = capture.answer {
        return answer.word().to_owned();
    }
    match (capture.value, capture.u, capture.beyond) {
        (Some(value), Some(u), _) => capture.format().show_with(value, 2.0 * u),
        (None, _, Some(end)) => Value::from(end).shown(capture.format()),
        (value, ..) => measured(value, capture.format()),
    }
}

/// The limits of a step; `–` where it has none.
pub(super) fn limits(low: Option<f64>, high: Option<f64>, quantity: Option<Quantity>) -> String {
    if low.is_none() && high.is_none() {
        return "–".to_owned();
    }
    Limit { low, high, dimension: quantity.unwrap_or(Quantity::Number).dimension() }.to_string()
}
