//! A channel that is worked out from two others: `A - B`, `A + B`, `A * B`, `A / B`.
//!
//! Time: a value is made for each reading of the channel that reports less often, at the time of that reading. The other
//! channel's value at that time is taken from the straight line between its neighbouring readings, so that a voltage that
//! moves while the meters take turns makes no false drop. Readings of one frame have one time and are paired as they are.
//! Neighbours that are farther apart than `within` are not joined: then there is no value.
//!
//! Uncertainty: JCGM 100:2008, 5.1.2, with the two channels taken as independent. Neighbouring readings of one meter share
//! their error.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{ChannelId, Sample};
use crate::{
    clock::{Mono, micros},
    electrics::Uncertain,
    protocol::{Annunciators, Value},
    units::Quantity,
};

/// How two channels make another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Operation {
    /// The second is taken off the first.
    Minus,
    /// Both together.
    Plus,
    /// The first times the second.
    Times,
    /// The first over the second.
    Over,
}

/// A derived channel as the bench file has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DerivedSpec {
    /// Unique on the bench.
    pub name: String,
    /// The two channels.
    pub of: [String; 2],
    /// What is done with them.
    pub operation: Operation,
    /// As it is written: `battery - feed`.
    pub text: String,
    /// Two readings of one channel farther apart than this are not joined.
    pub within: Duration,
    /// What it shows, where both channels always show the same; none where a meter's switch decides.
    pub quantity: Option<Quantity>,
}

impl Operation {
    /// What comes of two quantities; none where they do not go together.
    pub(crate) fn quantity(self, first: Quantity, second: Quantity) -> Option<Quantity> {
        use Quantity::{AmpsDc, Duty, Number, Ohms, Power, VoltsDc};
        match (self, first, second) {
            (Self::Minus | Self::Plus, a, b) if a == b => Some(a),
            (Self::Times, VoltsDc, AmpsDc) | (Self::Times, AmpsDc, VoltsDc) => Some(Power),
            (Self::Times, AmpsDc, Ohms) | (Self::Times, Ohms, AmpsDc) => Some(VoltsDc),
            (Self::Times, other, Duty) | (Self::Times, Duty, other) if other != Duty => Some(other),
            (Self::Over, VoltsDc, AmpsDc) => Some(Ohms),
            (Self::Over, VoltsDc, Ohms) => Some(AmpsDc),
            (Self::Over, Power, VoltsDc) => Some(AmpsDc),
            (Self::Over, Power, AmpsDc) => Some(VoltsDc),
            (Self::Over, a, b) if a == b => Some(Number),
            (Self::Over, other, Duty) => Some(other),
            _ => None,
        }
    }

    /// The value and its uncertainty; none for a division by zero.
    fn apply(self, first: Uncertain, second: Uncertain) -> Option<Uncertain> {
        let value = match self {
            Self::Minus => first - second,
            Self::Plus => first + second,
            Self::Times => first * second,
            Self::Over => first.over(second)?,
        };
        value.value.is_finite().then_some(value)
    }

    /// Which end of the range it is when one of the two is beyond its own; none where that is not known.
    fn beyond(self, first: Value, second: Value) -> Option<Value> {
        let turned = |value| match value {
            Value::Over => Value::Under,
            Value::Under => Value::Over,
            number => number,
        };
        match (self, first, second) {
            (Self::Minus | Self::Plus, beyond, Value::Number(_)) => Some(beyond),
            (Self::Plus, Value::Number(_), beyond) => Some(beyond),
            (Self::Minus, Value::Number(_), beyond) => Some(turned(beyond)),
            (Self::Times | Self::Over, beyond, Value::Number(by)) if by != 0.0 => {
                Some(if by > 0.0 { beyond } else { turned(beyond) })
            }
            (Self::Times, Value::Number(by), beyond) if by != 0.0 => {
                Some(if by > 0.0 { beyond } else { turned(beyond) })
            }
            _ => None,
        }
    }
}

/// The newest readings of one of the two channels.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Newest {
    before: Option<Sample>,
    last: Option<Sample>,
    /// Whether the last one is part of a value already.
    is_used: bool,
}

/// A derived channel at work.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DerivedChannel {
    id: ChannelId,
    operation: Operation,
    within: i64,
    of: [ChannelId; 2],
    newest: [Newest; 2],
    /// When its newest value was measured: time never goes back.
    at: Mono,
}

impl DerivedChannel {
    /// Of these two channels.
    pub(crate) fn new(id: ChannelId, spec: &DerivedSpec, of: [ChannelId; 2]) -> Self {
        Self {
            id,
            operation: spec.operation,
            within: micros(spec.within),
            of,
            newest: [Newest::default(); 2],
            at: Mono(i64::MIN),
        }
    }

    /// A session begins: its values rest on its own readings alone.
    pub(crate) fn restart(&mut self) {
        self.newest = [Newest::default(); 2];
        self.at = Mono(i64::MIN);
    }

    /// The meter of a channel was lost: nothing is joined across the gap.
    pub(crate) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        for (channel, newest) in self.of.iter().zip(&mut self.newest) {
            if gone(*channel) {
                *newest = Newest::default();
            }
        }
    }

    /// One more sample of any channel; the value that it completes.
    pub(crate) fn sample(&mut self, sample: &Sample) -> Option<Sample> {
        // A channel may be both of them: its square.
        let own = self.of.iter().position(|channel| *channel == sample.channel)?;
        if self.of[0] == self.of[1] {
            return self.join(sample, sample);
        }
        let other = 1 - own;
        let newest = &mut self.newest[own];
        *newest = Newest { before: newest.last, last: Some(*sample), is_used: false };
        let partner = self.newest[other].last.filter(|_| !self.newest[other].is_used)?;
        if partner.at == sample.at {
            self.newest = self.newest.map(|newest| Newest { is_used: true, ..newest });
            return self.pair(own, sample, &partner);
        }
        let before = self.newest[own].before?;
        let gap = sample.at.since(before.at);
        let pause = self.newest[other].before.map_or(i64::MAX, |earlier| partner.at.since(earlier.at));
        let is_between = before.at <= partner.at && partner.at < sample.at;
        // The slower one gives the times; of two that are equally fast, the first.
        let is_slower = pause > gap || (pause == gap && other == 0);
        if !is_between || !is_slower || gap > self.within {
            return None;
        }
        self.newest[other].is_used = true;
        let between = interpolated(&before, sample, partner.at)?;
        self.pair(own, &between, &partner)
    }

    fn pair(&mut self, own: usize, sample: &Sample, partner: &Sample) -> Option<Sample> {
        if own == 0 { self.join(sample, partner) } else { self.join(partner, sample) }
    }

    fn join(&mut self, first: &Sample, second: &Sample) -> Option<Sample> {
        let at = first.at.max(second.at);
        if at <= self.at {
            return None;
        }
        let quantity = self.operation.quantity(first.quantity, second.quantity)?;
        let share = |sample: &Sample| if sample.quantity == Quantity::Duty { 0.01 } else { 1.0 };
        // Of two duties neither is a share of the other's value.
        let (a, b) = if first.quantity == second.quantity { (1.0, 1.0) } else { (share(first), share(second)) };
        let (value, u) = match (first.value, second.value) {
            (Value::Number(x), Value::Number(y)) => {
                let u = |sample: &Sample| sample.u.unwrap_or(0.0);
                let joined =
                    self.operation.apply(Uncertain::new(a * x, a * u(first)), Uncertain::new(b * y, b * u(second)))?;
                (Value::Number(joined.value), first.u.and(second.u).map(|_| joined.u))
            }
            (first, second) => (self.operation.beyond(first, second)?, None),
        };
        self.at = at;
        Some(Sample {
            at,
            channel: self.id,
            quantity,
            value,
            u,
            decade: None,
            digit: self.digit(first, second),
            annunciators: first.annunciators | second.annunciators,
        })
    }

    /// What a step of either display does to the value.
    fn digit(&self, first: &Sample, second: &Sample) -> Option<f64> {
        let (Value::Number(x), Value::Number(y)) = (first.value, second.value) else { return None };
        let (first, second) = (first.digit?, second.digit?);
        match self.operation {
            Operation::Minus | Operation::Plus => Some(first.max(second)),
            Operation::Times => Some((first * y).abs().max((second * x).abs())),
            Operation::Over => {
                Some((first / y).abs().max((second * x / (y * y)).abs())).filter(|digit| digit.is_finite())
            }
        }
    }
}

/// The value between two samples of one channel at this time; none where one of them is no number.
fn interpolated(before: &Sample, after: &Sample, at: Mono) -> Option<Sample> {
    let (Value::Number(x), Value::Number(y)) = (before.value, after.value) else {
        // Beyond the range on both sides it was so in between.
        return (before.value == after.value).then_some(Sample { at, ..*after });
    };
    if before.quantity != after.quantity {
        return None;
    }
    let share = at.since(before.at) as f64 / after.at.since(before.at) as f64;
    let u = before.u.zip(after.u).map(|(x, y)| x + share * (y - x));
    let annunciators: Annunciators = before.annunciators | after.annunciators;
    Some(Sample { at, value: Value::Number(x + share * (y - x)), u, annunciators, ..*after })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sample(channel: u16, at_ms: i64, value: f64, quantity: Quantity, u: f64) -> Sample {
        Sample {
            at: Mono(at_ms * 1000),
            channel: ChannelId(channel),
            quantity,
            value: Value::Number(value),
            u: Some(u),
            decade: None,
            digit: Some(0.01),
            annunciators: Annunciators::empty(),
        }
    }

    fn volts(channel: u16, at_ms: i64, value: f64) -> Sample {
        sample(channel, at_ms, value, Quantity::VoltsDc, 0.03)
    }

    fn derived(operation: Operation) -> DerivedChannel {
        let spec = DerivedSpec {
            name: "x".to_owned(),
            of: ["a".to_owned(), "b".to_owned()],
            operation,
            text: "a - b".to_owned(),
            within: Duration::from_secs(1),
            quantity: None,
        };
        DerivedChannel::new(ChannelId(9), &spec, [ChannelId(0), ChannelId(1)])
    }

    fn number(sample: &Sample) -> f64 {
        let Value::Number(value) = sample.value else { panic!("{sample:?}") };
        value
    }

    #[test]
    fn readings_of_one_frame_are_paired_as_they_are() {
        let mut drop = derived(Operation::Minus);
        assert_eq!(drop.sample(&volts(0, 10, 12.6)), None);
        let made = drop.sample(&volts(1, 10, 12.1)).unwrap();
        assert!((number(&made) - 0.5).abs() < 1e-12 && made.at == Mono(10_000) && made.channel == ChannelId(9));
        // Independent: 30 mV twice is 42.4 mV, JCGM 100 5.1.2.
        assert!((made.u.unwrap() - 0.030 * 2f64.sqrt()).abs() < 1e-12);
        assert_eq!((made.quantity, made.digit), (Quantity::VoltsDc, Some(0.01)));
    }

    /// While the starter turns, the battery falls by 3 V in 300 ms. Meters that take turns would show a drop of a volt
    /// between two leads on the same post.
    #[test]
    fn a_battery_that_falls_makes_no_false_drop() {
        let battery = |at_ms: i64| 12.6 - 0.01 * at_ms as f64;
        for (fast, slow) in [(0, 1), (1, 0)] {
            let mut drop = derived(Operation::Minus);
            let mut made = Vec::new();
            for at in 0..300 {
                if at % 10 == 0 {
                    made.extend(drop.sample(&volts(fast, at, battery(at))));
                }
                if at % 95 == 37 {
                    made.extend(drop.sample(&volts(slow, at, battery(at))));
                }
            }
            let times: Vec<i64> = made.iter().map(|sample| sample.at.0 / 1000).collect();
            assert_eq!(times, [37, 132, 227], "at the times of the slower channel");
            for sample in &made {
                assert!(number(sample).abs() < 1e-9, "{sample:?}");
                assert!((sample.u.unwrap() - 0.030 * 2f64.sqrt()).abs() < 1e-9, "neighbours share their error");
            }
        }
    }

    #[test]
    fn what_is_far_apart_is_not_joined() {
        let mut drop = derived(Operation::Minus);
        drop.sample(&volts(0, 0, 12.6));
        drop.sample(&volts(1, 500, 12.5));
        assert_eq!(drop.sample(&volts(0, 1500, 12.6)), None, "1.5 s between two readings");
        drop.sample(&volts(1, 1600, 12.5));
        assert!(drop.sample(&volts(0, 1700, 12.6)).is_some());
        drop.sample(&volts(1, 1800, 12.5));
        drop.lost(|channel| channel == ChannelId(0));
        assert_eq!(drop.sample(&volts(0, 1900, 12.6)), None, "the meter was away");
    }

    #[test]
    fn watts_ohms_and_duty() {
        let amps = sample(1, 0, 1.6, Quantity::AmpsDc, 0.016);
        let mut power = derived(Operation::Times);
        power.sample(&sample(0, 0, 12.5, Quantity::VoltsDc, 0.125));
        let made = power.sample(&amps).unwrap();
        // 12.5 V times 1.6 A is 20 W; 1 % each makes 1.41 %, JCGM 100 5.1.6.
        assert_eq!((number(&made), made.quantity), (20.0, Quantity::Power));
        assert!((made.u.unwrap() - 0.2 * 2f64.sqrt()).abs() < 1e-9);
        let mut ohms = derived(Operation::Over);
        ohms.sample(&sample(0, 0, 12.0, Quantity::VoltsDc, 0.1));
        let made = ohms.sample(&amps).unwrap();
        assert!((number(&made) - 7.5).abs() < 1e-12 && made.quantity == Quantity::Ohms);
        // Before the driver, 0.8 A at 50 % are 1.6 A in the coil: common practice, no source.
        let mut coil = derived(Operation::Over);
        coil.sample(&sample(0, 0, 0.8, Quantity::AmpsDc, 0.01));
        let made = coil.sample(&sample(1, 0, 50.0, Quantity::Duty, 0.5)).unwrap();
        assert!((number(&made) - 1.6).abs() < 1e-12 && made.quantity == Quantity::AmpsDc);
        // A clamp at rest: nothing is divided by nothing. The meter on another function: no value at all.
        let mut none = derived(Operation::Over);
        none.sample(&volts(0, 0, 12.0));
        assert_eq!(none.sample(&sample(1, 0, 0.0, Quantity::AmpsDc, 0.01)), None);
        let mut other = derived(Operation::Minus);
        other.sample(&sample(0, 0, 7.5, Quantity::Ohms, 0.1));
        assert_eq!(other.sample(&volts(1, 0, 12.0)), None);
    }

    #[test]
    fn beyond_the_range_stays_beyond() {
        let over = |channel| Sample { value: Value::Over, ..volts(channel, 0, 0.0) };
        for (first, second, expected) in [
            (over(0), volts(1, 0, 1.0), Some(Value::Over)),
            (volts(0, 0, 1.0), over(1), Some(Value::Under)),
            (over(0), over(1), None),
        ] {
            let mut drop = derived(Operation::Minus);
            drop.sample(&first);
            assert_eq!(drop.sample(&second).map(|made| made.value), expected);
        }
    }

    proptest! {
        /// Two channels that show one straight line differ by nothing at any pace, and time never goes back.
        #[test]
        fn a_straight_line_has_no_difference(
            gaps in prop::collection::vec((0..2usize, 1..400i64), 2..60), slope in -0.01..0.01f64,
        ) {
            let mut drop = derived(Operation::Minus);
            let (mut at, mut last) = (0, i64::MIN);
            for (channel, gap) in gaps {
                at += gap;
                if let Some(made) = drop.sample(&volts(channel as u16, at, 12.0 + slope * at as f64)) {
                    prop_assert!(number(&made).abs() < 1e-9);
                    prop_assert!(made.at.0 > last);
                    last = made.at.0;
                }
            }
        }
    }
}
