//! Is a channel fine enough for a limit, and does it reach that far?

use super::{ChannelFacts, Inspector, Missing, Weight};
use crate::{
    electrics::{Rule, Uncertain},
    session::Step,
    units::{Dimension, Limit, show_in},
};

/// The expanded uncertainty may take so much of the room. With T the whole width between limits this is a
/// measurement capability index T/(2 U) of 3 (JCGM 106:2012, 7.6.3, from memory).
const SHARE: f64 = 1.0 / 3.0;

/// The expanded uncertainty (k = 2) of a channel at a limit, base units: that by which limits are guarded.
enum Expanded {
    Known(f64),
    /// What the digits add is not known.
    AtLeast(f64),
    Unknown,
}

/// The uncertainty from which on no value can be within, the limits guarded; none where there is always one.
fn hopeless(limit: &Limit) -> Option<f64> {
    match (limit.low, limit.high) {
        (Some(low), Some(high)) => Some((high - low) / 2.0),
        // A drop or a draw is not below zero.
        (None, Some(high)) => Some(high.abs()),
        _ => None,
    }
}

/// The value at the limit that is largest: there the uncertainty is, too.
fn at(limit: &Limit) -> f64 {
    limit.low.map_or(0.0, f64::abs).max(limit.high.map_or(0.0, f64::abs))
}

impl ChannelFacts {
    /// What the last digit is worth in this unit, where it is known.
    fn digit_in(&self, dimension: Dimension) -> Option<f64> {
        self.digit.filter(|digit| digit.dimension == dimension).map(|digit| digit.value)
    }

    /// Limits of error are rectangular, u = a/√3, and U = 2 u (JCGM 100:2008, 4.3.7 and 6.2).
    fn expanded_at(&self, limit: &Limit) -> Expanded {
        let Some(accuracy) = self.accuracy else { return Expanded::Unknown };
        if accuracy.dimension.is_some_and(|fixed| fixed != limit.dimension) {
            return Expanded::Unknown;
        }
        let digit = self.digit_in(limit.dimension);
        let value = at(limit);
        let expanded = Uncertain::rectangular(value, accuracy.half_width(value, digit)).expanded(2.0);
        if accuracy.digits > 0.0 && digit.is_none() { Expanded::AtLeast(expanded) } else { Expanded::Known(expanded) }
    }
}

impl Inspector<'_> {
    /// Digit and uncertainty against the room that a limit leaves.
    pub(super) fn room(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) {
        if self.digit(step, facts, limit) {
            return;
        }
        let dimension = limit.dimension;
        let (expanded, least) = match facts.expanded_at(limit) {
            Expanded::Known(expanded) => (expanded, ""),
            Expanded::AtLeast(expanded) => (expanded, "at least "),
            Expanded::Unknown => {
                let why = if facts.accuracy.is_some() { "does not hold in" } else { "is not told in" };
                let what =
                    format!("the accuracy of \"{}\" {why} {}: nothing guards its limits", facts.name, dimension.unit());
                let remedy = "accuracy = \"0.5 % + 2 digits\", as on the data sheet, at the channel";
                return self.once(&facts.name, Missing::Accuracy, step, &what, remedy);
            }
        };
        let room = limit.room();
        if expanded > room * SHARE {
            let never = step.rule == Rule::Guarded && hopeless(limit).is_some_and(|hopeless| expanded >= hopeless);
            let (weight, end) = match never {
                true => (Weight::Fails, "no value can be within"),
                false => {
                    (Weight::Doubtful, "more than a third of the room, values near the limit will be too close to call")
                }
            };
            let what = format!(
                "\"{}\" is sure to {least}± {} (k = 2) and {limit} leaves ± {}: {end}",
                facts.name,
                show_in(expanded, dimension),
                show_in(room, dimension)
            );
            self.say(weight, step, &what, "a finer meter or range, or a wider limit");
        } else if !least.is_empty() {
            let what = format!(
                "what a digit of \"{}\" is worth in {} is not known before it speaks",
                facts.name,
                dimension.unit()
            );
            let remedy = "digit = \"…\" at the channel tells it, where it stays the same";
            self.once(&facts.name, Missing::Digit, step, &what, remedy);
        }
    }

    /// Whether the display is too coarse, and that is told.
    fn digit(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) -> bool {
        let Some(digit) = facts.digit_in(limit.dimension) else { return false };
        let room = limit.room();
        if digit <= room * SHARE {
            return false;
        }
        let weight = if digit >= 2.0 * room { Weight::Fails } else { Weight::Doubtful };
        let show = |value| show_in(value, limit.dimension);
        let what = format!("\"{}\" shows steps of {} and {limit} leaves ± {}", facts.name, show(digit), show(room));
        self.say(weight, step, &what, "a range or meter that shows one digit more");
        true
    }

    /// What lies beyond the range can't be judged.
    pub(super) fn range(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) {
        let show = |value| show_in(value, limit.dimension);
        let furthest = at(limit);
        let range = facts.range.filter(|range| range.dimension == limit.dimension && furthest > range.value);
        if let Some(range) = range {
            let what = format!("{limit} is beyond the range of \"{}\", {}", facts.name, show(range.value));
            self.say(Weight::Fails, step, &what, "a clamp or range that reaches further");
        }
        let fuse = facts.fuse.filter(|fuse| limit.dimension == Dimension::Ampere && furthest > *fuse);
        if let Some(fuse) = fuse {
            let what =
                format!("{limit} is more than the fuse of the amps jack of \"{}\" bears, {}", facts.meter, show(fuse));
            self.say(Weight::Fails, step, &what, "use a clamp");
        }
    }
}
