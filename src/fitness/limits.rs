//! Whether a channel is fine enough for a limit, and its range large enough.

use super::{ChannelFacts, FitnessCheck, Severity, UnknownFact};
use crate::{
    electrics::{DecisionRule, Uncertain},
    procedure::{RelativeLimit, Step},
    units::{ApplicableAccuracy, Dimension, Limit, Quantity, show, show_given},
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

impl Expanded {
    fn size(&self) -> f64 {
        match self {
            Self::Known(size) | Self::AtLeast(size) => *size,
            Self::Unknown => f64::INFINITY,
        }
    }
}

/// The uncertainty from which on no value can be in limit, the limits guarded; none where there is always one.
fn hopeless(limit: &Limit) -> Option<f64> {
    match (limit.low, limit.high) {
        (Some(low), Some(high)) => Some((high - low) / 2.0),
        // A drop or a draw is not below zero.
        (None, Some(high)) => Some(high.abs()),
        _ => None,
    }
}

/// The value at the limit that lies furthest from zero.
fn at(limit: &Limit) -> f64 {
    limit.low.map_or(0.0, f64::abs).max(limit.high.map_or(0.0, f64::abs))
}

impl ChannelFacts {
    /// What a step is judged as: its own word, or the channel's, or what the limit's unit most often means.
    fn judged_as(&self, step: &Step, limit: &Limit) -> Quantity {
        step.quantity.or(self.quantity).unwrap_or_else(|| Quantity::of(limit.dimension))
    }

    /// What the data sheet says of a value. A meter is taken to be on the range that the value needs.
    fn row(&self, quantity: Quantity, value: f64) -> Option<ApplicableAccuracy<'_>> {
        self.accuracy.as_ref()?.row_for(quantity, value, None)
    }

    /// What the last digit is worth at a value, where it is known: the data sheet's row knows its range.
    fn digit_at(&self, quantity: Quantity, value: f64) -> Option<f64> {
        let own = self.digit.filter(|digit| digit.dimension == quantity.dimension()).map(|digit| digit.value);
        self.row(quantity, value).and_then(|row| row.digit).or(own)
    }

    /// Limits of error are rectangular, u = a/√3, and U = 2 u (JCGM 100:2008, 4.3.7 and 6.2).
    fn expanded_at(&self, quantity: Quantity, value: f64) -> Expanded {
        let Some(row) = self.row(quantity, value) else { return Expanded::Unknown };
        let digit = self.digit_at(quantity, value);
        let meter = Uncertain::rectangular(value, row.half_width(value, digit)).expanded(2.0);
        let scale = Uncertain::rectangular(value, self.scale_tolerance * value.abs()).expanded(2.0);
        let expanded = meter.hypot(scale);
        match digit {
            None if row.accuracy.digits > 0.0 => Expanded::AtLeast(expanded),
            _ => Expanded::Known(expanded),
        }
    }

    /// At the edge of a limit where it is larger, and where that is: each may lie on a range of its own.
    fn expanded_within(&self, quantity: Quantity, limit: &Limit) -> (f64, Expanded) {
        let edges = [limit.low.or(limit.high), limit.high.or(limit.low)].map(|edge| edge.unwrap_or(0.0));
        let [low, high] = edges.map(|value| (value, self.expanded_at(quantity, value)));
        if low.1.size() > high.1.size() { low } else { high }
    }
}

impl FitnessCheck<'_> {
    /// Digit and uncertainty against the room that a limit leaves.
    pub(super) fn check_uncertainty(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) {
        if self.digit(step, facts, limit) {
            return;
        }
        let (dimension, quantity) = (limit.dimension, facts.judged_as(step, limit));
        let (value, expanded) = facts.expanded_within(quantity, limit);
        let (expanded, least) = match expanded {
            Expanded::Known(expanded) => (expanded, ""),
            Expanded::AtLeast(expanded) => (expanded, "at least "),
            Expanded::Unknown => return self.no_accuracy(step, facts, quantity, value),
        };
        let room = limit.room();
        if expanded > room * SHARE {
            let never =
                step.rule == DecisionRule::Guarded && hopeless(limit).is_some_and(|hopeless| expanded >= hopeless);
            let (severity, end) = match never {
                true => (Severity::Fails, "no value can be in limit"),
                false => (
                    Severity::Doubtful,
                    "more than a third of that, so values near the limit will be too close to call",
                ),
            };
            let what = format!(
                "\"{}\" is accurate to {least}± {} (k = 2), but {limit} allows ± {}: {end}",
                facts.name,
                show_given(expanded, dimension),
                show_given(room, dimension)
            );
            self.add(severity, step, &what, "use a more accurate meter or range, or a wider limit");
        } else if !least.is_empty() {
            let what = format!(
                "what the last digit of \"{}\" is worth in {} is not known before it sends readings",
                facts.name,
                dimension.unit()
            );
            let remedy = "add digit = \"…\" to the channel, if it never changes";
            self.add_once(&facts.name, UnknownFact::Digit, step, &what, remedy);
        }
    }

    /// The accuracy is unknown here, so nothing guards the limit.
    fn no_accuracy(&mut self, step: &Step, facts: &ChannelFacts, quantity: Quantity, value: f64) {
        if !facts.worked_out_of.is_empty() {
            let of: Vec<ChannelFacts> =
                facts.worked_out_of.iter().filter_map(|name| self.bench.channel(name).cloned()).collect();
            for part in of.iter().filter(|part| part.accuracy.is_none()) {
                let quantity = part.quantity.unwrap_or(quantity);
                self.no_accuracy(step, part, quantity, value);
            }
            return;
        }
        let elsewhere = facts.row(quantity, 0.0).is_some();
        let at = if elsewhere { format!(" at {}", show(value, quantity)) } else { String::new() };
        let what = format!(
            "no accuracy is given for {quantity}{at} on channel \"{}\": values near the limit are judged as if they were exact",
            facts.name
        );
        let remedy = match &facts.accuracy {
            Some(_) => {
                format!("add a row with quantity = \"{quantity}\", as on the data sheet, to the channel's accuracy")
            }
            None => "add accuracy = \"0.5 % + 2 digits\", or what the data sheet says, to the channel".to_owned(),
        };
        self.add_once(&facts.name, UnknownFact::Accuracy(quantity), step, &what, &remedy);
    }

    /// Whether the display is too coarse, which is then listed.
    fn digit(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) -> bool {
        let quantity = facts.judged_as(step, limit);
        let Some(digit) = facts.digit_at(quantity, at(limit)) else { return false };
        let room = limit.room();
        if digit <= room * SHARE {
            return false;
        }
        let severity = if digit >= 2.0 * room { Severity::Fails } else { Severity::Doubtful };
        let show = |value| show_given(value, limit.dimension);
        let what = format!("\"{}\" shows steps of {}, but {limit} allows ± {}", facts.name, show(digit), show(room));
        self.add(severity, step, &what, "use a range or meter that shows one digit more");
        true
    }

    /// A limit by other values: the channels that it refers to are on the bench, and the display is fine enough for what it
    /// allows above or below them.
    pub(super) fn relative(&mut self, step: &Step, facts: &ChannelFacts, limit: &RelativeLimit) {
        for name in step.referred_channels() {
            self.named(step, name);
        }
        let Some(quantity) = step.quantity else { return };
        let room =
            [limit.low, limit.high].into_iter().flatten().map(|edge| edge.offset.abs()).fold(f64::INFINITY, f64::min);
        let digit = facts.digit.filter(|digit| digit.dimension == quantity.dimension()).map(|digit| digit.value);
        if let Some(digit) = digit.filter(|digit| room > 0.0 && room.is_finite() && *digit > room * SHARE) {
            let severity = if digit >= 2.0 * room { Severity::Fails } else { Severity::Doubtful };
            let show = |value| show_given(value, quantity.dimension());
            let what = format!("\"{}\" shows steps of {}, but {limit} allows {}", facts.name, show(digit), show(room));
            self.add(severity, step, &what, "use a range or meter that shows one digit more");
        }
        if facts.accuracy.is_none() {
            self.no_accuracy(step, facts, quantity, 0.0);
        }
    }

    /// What is beyond the range can't be judged.
    pub(super) fn range(&mut self, step: &Step, facts: &ChannelFacts, limit: &Limit) {
        let show = |value| show_given(value, limit.dimension);
        let furthest = at(limit);
        let range = facts.range.filter(|range| range.dimension == limit.dimension && furthest > range.value);
        if let Some(range) = range {
            let what = format!("{limit} is beyond the range of \"{}\", {}", facts.name, show(range.value));
            self.add(Severity::Fails, step, &what, "use a clamp or range that reaches further");
        }
        let fuse = facts.fuse.filter(|fuse| limit.dimension == Dimension::Ampere && furthest > *fuse);
        if let Some(fuse) = fuse {
            let what = format!(
                "{limit} is more than the fuse in the amps jack of \"{}\" carries, {}",
                facts.meter,
                show(fuse)
            );
            self.add(Severity::Fails, step, &what, "use a clamp");
        }
    }
}
