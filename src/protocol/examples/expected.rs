//! A line of an example's `gives`, and whether an event is what it expects.

use super::event::{ExampleEvent, unit_of};
use crate::{
    protocol::{
        Annunciators, Value,
        number::{NumberReader, OverloadWords},
    },
    units::Quantity,
    words::EnumWord,
};

/// A line of `gives`.
pub(super) enum ExpectedEvent {
    Time(f64),
    Action(String),
    Lost(u64),
    Itself(String),
    Reading { name: String, value: Value, digit: Option<f64>, unit: &'static str, annunciators: Annunciators },
}

impl ExpectedEvent {
    pub(super) fn read(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "\"{text}\" is not of the form \"name = value unit, digit 0.01 [hold]\", \"@ 1.5 s\", \"> take\", \"2 lost\" or \"itself: text\""
            )
        };
        if let Some(text) = text.strip_prefix("itself:") {
            return Ok(Self::Itself(text.trim().to_owned()));
        }
        if let Some(time) = text.strip_prefix('@') {
            let time = time.trim().strip_suffix('s').and_then(|time| time.trim().parse().ok());
            return time.map(Self::Time).ok_or_else(wrong);
        }
        if let Some(action) = text.strip_prefix('>') {
            return Ok(Self::Action(action.trim().to_owned()));
        }
        if let Some(lost) = text.strip_suffix("lost") {
            return lost.trim().parse().map(Self::Lost).map_err(|_| wrong());
        }
        let (name, rest) = text.rsplit_once(" = ").ok_or_else(wrong)?;
        let (rest, annunciators) = match rest.strip_suffix(']').and_then(|rest| rest.split_once('[')) {
            Some((rest, words)) => (rest, read_annunciators(words).ok_or_else(wrong)?),
            None => (rest, Annunciators::empty()),
        };
        let (rest, digit) = match rest.split_once(", digit ") {
            Some((rest, digit)) => (rest, Some(digit.trim().parse().map_err(|_| wrong())?)),
            None => (rest, None),
        };
        let (value, unit) = read_value(rest.trim()).ok_or_else(wrong)?;
        Ok(Self::Reading { name: name.to_owned(), value, digit, unit, annunciators })
    }

    /// Whether it is the value that differs, and not what is beside it.
    pub(super) fn differs_in_value(&self, seen: &ExampleEvent) -> bool {
        match (self, seen) {
            (Self::Reading { value: Value::Number(expected), .. }, ExampleEvent::Reading(_, reading)) => {
                !matches!(reading.value, Value::Number(seen) if close(*expected, seen))
            }
            (Self::Reading { value, .. }, ExampleEvent::Reading(_, reading)) => *value != reading.value,
            _ => false,
        }
    }

    pub(super) fn is(&self, seen: &ExampleEvent) -> bool {
        match (self, seen) {
            (Self::Time(expected), ExampleEvent::Time(seen)) => close(*expected, *seen),
            (Self::Action(expected), ExampleEvent::Action(seen)) => expected == seen.word(),
            (Self::Lost(expected), ExampleEvent::Lost(seen)) => expected == seen,
            (Self::Itself(expected), ExampleEvent::Itself(seen)) => expected == seen,
            (Self::Reading { name, value, digit, unit, annunciators }, ExampleEvent::Reading(seen_name, seen)) => {
                let same_value = match (value, seen.value) {
                    (Value::Number(expected), Value::Number(seen)) => close(*expected, seen),
                    (expected, seen) => *expected == seen,
                };
                let same_digit = digit
                    .is_none_or(|digit| seen.decade.is_some_and(|decade| close(digit, 10f64.powi(i32::from(decade)))));
                let same_unit = *unit == unit_of(seen.function) && *annunciators == seen.annunciators;
                name == seen_name && same_value && same_digit && same_unit
            }
            _ => false,
        }
    }
}

/// Value in base units, and its unit or quantity in words.
fn read_value(text: &str) -> Option<(Value, &'static str)> {
    // Quantities of one unit differ by their words: `0.5 continuity`.
    if let Some((number, word)) = text.split_once(' ')
        && let Ok(quantity) = word.parse::<Quantity>()
    {
        let (value, _) = read_value(number)?;
        return Some((value, quantity.word()));
    }
    let token = NumberReader::new(OverloadWords::default()).read(text).ok()?;
    Some((token.value, unit_of(token.function)))
}

fn read_annunciators(words: &str) -> Option<Annunciators> {
    words.split(',').map(|word| Annunciators::from_word(word.trim())).collect()
}

/// Equal but for the rounding of scaling.
fn close(expected: f64, seen: f64) -> bool {
    (expected - seen).abs() <= expected.abs() * 1e-12
}
