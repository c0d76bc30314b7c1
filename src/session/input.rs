//! What enters the core beside the samples, as far as a judgement depends on it. It is kept in the order in which it came,
//! so that the same core can be driven again by the same input.
//!
//! What changes nothing is not kept: a refused command, and a tick that changes nothing in the step that is on. Notes,
//! alarms and identities judge nothing either.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{StepMove, VisitTemperatures, Zeroed};
use crate::{
    channel::{Channel, ChannelId, Conversion, DerivedSpec, MeterId, Sample},
    clock::Mono,
    procedure::YesNo,
    protocol::{Annunciators, Value},
    units::{Measure, Quantity},
};

/// One input. In the table `input` a row each: the tag is the column `kind`, the rest JSON in the column `content`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "content")]
pub enum CoreInput {
    /// The bench as the session began; the first input of a session.
    #[serde(rename = "bench")]
    Bench(Box<BenchState>),
    /// A channel became known.
    #[serde(rename = "channel")]
    Channel(ChannelState),
    /// A meter was lost, by its number on the bench.
    #[serde(rename = "meter lost")]
    MeterLost(u16),
    /// The operator went to another step.
    #[serde(rename = "step")]
    Step(StepMove),
    /// The operator took the reading of the step, or of a channel.
    #[serde(rename = "take")]
    Take(Option<String>),
    /// The operator answered the step's question.
    #[serde(rename = "answer")]
    Answer(YesNo),
    /// The operator marked the moment.
    #[serde(rename = "mark")]
    Mark(String),
    /// The operator undid the last move or capture.
    #[serde(rename = "undo")]
    Undo,
    /// A clamp was zeroed, by the number of its channel.
    #[serde(rename = "zero")]
    Zero(u16, Zeroed),
    /// The leads of a channel were nulled, by its number: their resistance in ohm and its standard uncertainty; none where that was
    /// undone.
    #[serde(rename = "leads")]
    Leads(u16, Option<(f64, f64)>),
    /// The temperatures were corrected: limits of steps that begin from now on follow them.
    #[serde(rename = "temperatures")]
    Temperatures(VisitTemperatures),
    /// Time passed, and that changed something in the step.
    #[serde(rename = "tick")]
    Tick,
}

/// What the core knows of the bench as a session begins.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BenchState {
    /// The meters' names, in the order of the bench.
    pub meters: Vec<String>,
    /// Channels that are worked out from others, by their numbers.
    pub derived: Vec<(u16, DerivedSpec)>,
    /// The channels known so far.
    pub channels: Vec<ChannelState>,
    /// The zeros in use, by the channels' numbers.
    pub zeros: Vec<(u16, Zeroed)>,
    /// The readings that can still be taken.
    pub latest: Vec<SampleState>,
    /// By which judgement the earlier session is continued: 0 for its first record; none where none is continued.
    pub continued_judgement: Option<i64>,
}

/// A channel as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelState {
    id: u16,
    name: String,
    meter: u16,
    meter_name: String,
    reads: String,
    quantity: Option<Quantity>,
    scale: Option<String>,
    accuracy: Option<String>,
    /// Base units, and what it is a range of.
    range: Option<(f64, Quantity)>,
    fuse: Option<String>,
}

/// A reading as it is kept; times count from the session's begin, µs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SampleState {
    at_us: i64,
    channel: u16,
    quantity: Quantity,
    value: Option<f64>,
    is_below: bool,
    u: Option<f64>,
    #[serde(rename = "place")]
    decade: Option<i8>,
    digit: Option<f64>,
    annunciators: u16,
}

impl ChannelState {
    /// Of a channel with this number.
    pub(super) fn of(id: ChannelId, channel: &Channel) -> Self {
        let Channel { name, meter, meter_name, reads, conversion, range, fuse } = channel;
        Self {
            id: id.0,
            name: name.clone(),
            meter: meter.0,
            meter_name: meter_name.clone(),
            reads: reads.clone(),
            quantity: conversion.quantity,
            scale: conversion.scale.as_ref().map(|scale| scale.text.clone()),
            accuracy: conversion.accuracy.as_ref().map(|sheet| sheet.text.clone()),
            range: range.map(|range| (range.value, Quantity::of(range.dimension))),
            fuse: fuse.as_ref().map(|fuse| fuse.text.clone()),
        }
    }

    /// The channel and its number.
    ///
    /// # Errors
    /// What can't be read of it, in words.
    pub(crate) fn channel(&self) -> Result<(ChannelId, Channel), String> {
        let wrong = |error: &dyn std::fmt::Display| {
            format!("its channel \"{}\" is kept in a form that can't be read: {error}", self.name)
        };
        let scale = self.scale.as_ref().map(|text| text.parse()).transpose().map_err(|error| wrong(&error))?;
        let accuracy = self.accuracy.as_ref().map(|text| text.parse()).transpose().map_err(|error| wrong(&error))?;
        let fuse = self.fuse.as_ref().map(|text| text.parse()).transpose().map_err(|error| wrong(&error))?;
        let channel = Channel {
            name: self.name.clone(),
            meter: MeterId(self.meter),
            meter_name: self.meter_name.clone(),
            reads: self.reads.clone(),
            conversion: Conversion { quantity: self.quantity, scale, accuracy: accuracy.map(Arc::new) },
            range: self.range.map(|(value, quantity)| Measure { value, dimension: quantity.dimension() }),
            fuse,
        };
        Ok((ChannelId(self.id), channel))
    }
}

impl SampleState {
    /// Of a sample, where the session began at this time.
    pub(super) fn of(sample: &Sample, began: Mono) -> Self {
        let value = match sample.value {
            Value::Number(value) => Some(value),
            Value::Over | Value::Under => None,
        };
        Self {
            at_us: sample.at.since(began),
            channel: sample.channel.0,
            quantity: sample.quantity,
            value,
            is_below: sample.value == Value::Under,
            u: sample.u,
            decade: sample.decade,
            digit: sample.digit,
            annunciators: sample.annunciators.bits(),
        }
    }

    /// The sample, in a session that begins at zero.
    pub(super) fn sample(&self) -> Sample {
        Sample {
            at: Mono(self.at_us),
            channel: ChannelId(self.channel),
            quantity: self.quantity,
            value: match (self.value, self.is_below) {
                (Some(value), _) => Value::Number(value),
                (None, false) => Value::Over,
                (None, true) => Value::Under,
            },
            u: self.u,
            decade: self.decade,
            digit: self.digit,
            annunciators: Annunciators::from_bits_retain(self.annunciators),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back_to_the_bit() {
        let channel = Channel {
            name: "lift coil".to_owned(),
            meter: MeterId(1),
            meter_name: "clamps".to_owned(),
            reads: "v1".to_owned(),
            conversion: Conversion {
                quantity: Some(Quantity::AmpsDc),
                scale: Some("100 mV/A ± 1 %".parse().unwrap()),
                accuracy: Some(Arc::new("1.5 % + 20 mA".parse().unwrap())),
            },
            range: Some("20 A".parse().unwrap()),
            fuse: Some("10 A".parse().unwrap()),
        };
        let sample = Sample {
            at: Mono(17),
            channel: ChannelId(3),
            quantity: Quantity::AmpsDc,
            // A number without an exact decimal form.
            value: Value::Number(0.1 + 0.2),
            u: Some(1.0 / 3.0),
            decade: Some(-3),
            digit: Some(0.001),
            annunciators: Annunciators::HOLD,
        };
        let zeroed = Zeroed { offset: 1e-3 / 7.0, drift: None, u: 2e-4 / 3.0, quantity: Quantity::AmpsDc };
        let bench = BenchState {
            meters: vec!["handheld".to_owned(), "clamps".to_owned()],
            channels: vec![ChannelState::of(ChannelId(3), &channel)],
            zeros: vec![(3, zeroed)],
            latest: vec![SampleState::of(&sample, Mono(10))],
            ..BenchState::default()
        };
        for input in [
            CoreInput::Bench(Box::new(bench.clone())),
            CoreInput::Step(StepMove::Named("next".to_owned())),
            CoreInput::Step(StepMove::Next),
            CoreInput::Take(None),
            CoreInput::Tick,
        ] {
            let text = serde_json::to_string(&input).unwrap();
            assert_eq!(serde_json::from_str::<CoreInput>(&text).unwrap(), input, "{text}");
        }
        assert_eq!(bench.channels[0].channel().unwrap(), (ChannelId(3), channel));
        assert_eq!(bench.latest[0].sample(), Sample { at: Mono(7), ..sample });
    }
}
