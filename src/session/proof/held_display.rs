//! A display that does not follow: the load came or went, and not one digit has moved.
//!
//! A meter that sends its HOLD sign is known by that; this is for those that do not.

use super::{Ask, ProofPattern, Response, response::LeadReading};
use crate::{clock::Mono, protocol::Value};

/// So long after the load changed the display must have moved, µs.
const MOVES_WITHIN_US: i64 = 2_000_000;

/// A display that moved less than this before the load was seen to change has followed it: the clamp is later than the probe, µs.
const FOLLOWS_WITHIN_US: i64 = 1_000_000;

/// A drop of fewer digits may well show the same with and without load.
const DIGITS: f64 = 20.0;

/// Watches a step under load.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct HeldDisplay {
    shown: Option<Value>,
    moved: Option<Mono>,
    load_on: Option<bool>,
    changed: Option<Mono>,
    asked: bool,
}

impl HeldDisplay {
    pub(super) fn sample(&mut self, reading: &LeadReading) -> Response {
        let (value, digit) = (reading.sample.value, reading.sample.digit.unwrap_or(0.0));
        let is_plain = matches!(value, Value::Number(number) if number.abs() >= DIGITS * digit && number != 0.0);
        if self.shown != Some(value) || !is_plain {
            // Of the first reading it is not known whether it moved.
            let moved = self.shown.map(|_| reading.at());
            *self = Self { shown: Some(value), moved, load_on: reading.load_on, changed: None, asked: false };
            return Response::Pass;
        }
        let has_followed = self.moved.is_some_and(|moved| reading.at().since(moved) < FOLLOWS_WITHIN_US);
        if self.load_on.is_some() && self.load_on != reading.load_on && !has_followed {
            self.changed.get_or_insert(reading.at());
        }
        self.load_on = reading.load_on;
        let Some(changed) = self.changed else { return Response::Pass };
        if reading.at().since(changed) < MOVES_WITHIN_US {
            return Response::Hold;
        }
        if std::mem::replace(&mut self.asked, true) {
            return Response::Hold;
        }
        let text = "The display has not moved since the load changed: is HOLD on?";
        Response::Ask(Ask::new(ProofPattern::HeldDisplay, text, "another reading"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::tests::volts;

    #[test]
    fn a_display_that_ignores_the_load_is_asked_about_within_three_seconds() {
        let mut held = HeldDisplay::default();
        let mut asked = None;
        for index in 0..60 {
            let sample = volts(index * 100_000, 0.341);
            let reading = LeadReading { sample: &sample, loaded: Some(index >= 10), load_on: Some(index >= 10) };
            if let Response::Ask(_) = held.sample(&reading) {
                asked.get_or_insert(index);
            }
        }
        assert!(asked.is_some_and(|index| (11..40).contains(&index)), "{asked:?}");
        let mut live = HeldDisplay::default();
        for index in 0..60 {
            let value = if index >= 10 { 0.341 } else { 0.001 };
            let sample = volts(index * 100_000, value);
            let reading = LeadReading { sample: &sample, loaded: Some(index >= 10), load_on: Some(index >= 10) };
            assert_eq!(live.sample(&reading), Response::Pass);
        }
    }

    /// Seen: clamp and probe moved together, but the clamp's reading came later, and the value was lost.
    #[test]
    fn a_display_that_moves_just_before_the_clamp_has_followed() {
        let mut live = HeldDisplay::default();
        for index in 0..60 {
            let sample = volts(index * 100_000, if index >= 10 { 0.251 } else { 0.0 });
            let on = index >= 13;
            let reading = LeadReading { sample: &sample, loaded: Some(on), load_on: Some(on) };
            assert_eq!(live.sample(&reading), Response::Pass, "{index}");
        }
    }
}
