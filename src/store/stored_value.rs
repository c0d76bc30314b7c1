//! How a value is stored that may be beyond the meter's range: then it has no number, and a bit of `sample.state`, or elsewhere the
//! column `beyond` (1 over, -1 under), tells the end.

use serde::{Deserialize, Deserializer, de::Error};

use super::insert::{BEYOND_DOWN, BEYOND_UP};
use crate::{protocol::Value, session::RangeEnd};

/// A value in the columns `value` and `beyond`.
pub(super) fn value_columns(value: Value) -> (Option<f64>, Option<i64>) {
    match value {
        Value::Number(number) => (Some(number), None),
        Value::Over => (None, Some(1)),
        Value::Under => (None, Some(-1)),
    }
}

/// The value of the columns `value` and `beyond`; none where there is none.
pub(super) fn column_value(number: Option<f64>, beyond: Option<i64>) -> Option<Value> {
    number.map(Value::Number).or_else(|| range_end(beyond).map(Value::from))
}

/// The value of a sample; none where there is none.
pub(crate) fn sample_value(number: Option<f64>, state: i64) -> Option<Value> {
    number.map(Value::Number).or_else(|| sample_range_end(state).map(Value::from))
}

/// Which end of the range a sample was beyond.
pub(super) fn sample_range_end(state: i64) -> Option<RangeEnd> {
    match (state & BEYOND_UP, state & BEYOND_DOWN) {
        (0, 0) => None,
        (0, _) => Some(RangeEnd::Under),
        _ => Some(RangeEnd::Over),
    }
}

/// Reads the column `beyond`.
pub(super) fn read_range_end<'de, D: Deserializer<'de>>(from: D) -> Result<Option<RangeEnd>, D::Error> {
    let beyond = Option::<i64>::deserialize(from)?;
    match (beyond, range_end(beyond)) {
        (Some(other), None) => Err(D::Error::custom(format!("found {other}, expected 1 or -1"))),
        (_, end) => Ok(end),
    }
}

fn range_end(beyond: Option<i64>) -> Option<RangeEnd> {
    match beyond {
        Some(1) => Some(RangeEnd::Over),
        Some(-1) => Some(RangeEnd::Under),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_comes_back_from_its_columns() {
        for value in [Value::Number(-0.5), Value::Over, Value::Under] {
            let (number, beyond) = value_columns(value);
            assert_eq!(column_value(number, beyond), Some(value));
        }
        assert_eq!(column_value(None, None), None);
        for (state, value) in [(BEYOND_UP | 1, Some(Value::Over)), (BEYOND_DOWN, Some(Value::Under)), (3, None)] {
            assert_eq!(sample_value(None, state), value);
        }
        assert_eq!(sample_value(Some(0.5), 3), Some(Value::Number(0.5)));
    }
}
