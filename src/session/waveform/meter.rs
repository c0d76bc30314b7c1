//! All that is measured of one channel's shape in one step.

use super::{
    edges::{EdgeMeter, EdgeResult},
    ripple::RippleMeter,
    sample_rate::SampleRate,
    summary::{SignalShape, WaveformSummary},
    switch_on::SwitchOnMeter,
};
use crate::{
    channel::{ChannelId, Sample},
    electrics::RunningStatistics,
    procedure::ShapeRule,
    protocol::Value,
    units::Quantity,
};

/// Slower samples say nothing of a shape, a second.
const SLOWEST_HZ: f64 = 20.0;
/// A signal that seems steady is taken for it from so many samples a second: the drivers of valves switch at some 50 to 400 Hz,
/// common practice, no source.
const STEADY_HZ: f64 = 1000.0;
/// What an open lead or an empty clamp moves by: common practice, no source.
const FLOOR_V: f64 = 0.2;
const FLOOR_A: f64 = 0.1;

/// What only the channel that a step looks at needs.
#[derive(Debug, Clone)]
pub(super) struct OwnMeters {
    pub(super) ripple: RippleMeter,
    pub(super) switch_on: SwitchOnMeter,
}

/// Measures the shape of one channel.
#[derive(Debug, Clone)]
pub(in crate::session) struct WaveformMeter {
    pub(super) quantity: Quantity,
    pub(super) rate: SampleRate,
    pub(super) edges: EdgeMeter,
    pub(super) values: RunningStatistics,
    /// The largest standard uncertainty of a sample.
    pub(super) u: Option<f64>,
    pub(super) own: Option<Box<OwnMeters>>,
}

/// Whether a channel is the one that a step looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::session) enum WaveformDepth {
    /// Levels and edges.
    Other,
    /// Ripple and what happens as it is switched on too.
    Own,
}

impl WaveformMeter {
    /// None for a quantity that has no shape.
    pub(in crate::session) fn new(quantity: Quantity, depth: WaveformDepth) -> Option<Self> {
        let floor = match quantity {
            Quantity::VoltsDc => FLOOR_V,
            Quantity::AmpsDc => FLOOR_A,
            _ => return None,
        };
        let own = || Box::new(OwnMeters { ripple: RippleMeter::new(), switch_on: SwitchOnMeter::new(quantity) });
        Some(Self {
            quantity,
            rate: SampleRate::default(),
            edges: EdgeMeter::new(floor),
            values: RunningStatistics::default(),
            u: None,
            own: (depth == WaveformDepth::Own).then(own),
        })
    }

    /// What it measures.
    pub(in crate::session) fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// Takes one more sample. While the load is off only what happens as it is switched on is looked at.
    pub(in crate::session) fn sample(&mut self, sample: &Sample, is_loaded: bool) {
        let Value::Number(value) = sample.value else { return };
        if let Some(own) = &mut self.own {
            own.switch_on.push(sample);
        }
        if !is_loaded {
            return;
        }
        let follows = self.rate.push(sample.at);
        self.edges.push(sample.at, value, sample.digit, follows);
        self.values.push(value);
        if let Some(own) = &mut self.own {
            own.ripple.push(sample.at.0, value, follows);
        }
        self.u = match (self.u, sample.u) {
            (Some(one), Some(other)) => Some(one.max(other)),
            (one, other) => one.or(other),
        };
    }

    /// Root of the mean square.
    pub(super) fn rms(&self) -> Option<f64> {
        let (mean, n) = (self.values.mean()?, self.values.count() as f64);
        let deviation = self.values.deviation().unwrap_or(0.0);
        Some((mean * mean + deviation * deviation * (n - 1.0) / n).sqrt())
    }

    /// What was seen; none of what is slower than a shape needs. Figures that samples could have made up are left out: all of
    /// them where the step names no highest frequency.
    pub(in crate::session) fn summary(
        &self,
        channel: ChannelId,
        name: &str,
        rule: Option<&ShapeRule>,
    ) -> Option<WaveformSummary> {
        let rate_hz = self.rate.hertz().filter(|rate| *rate >= SLOWEST_HZ)?;
        let result = self.edges.result(&self.rate);
        let highest = rule.and_then(|rule| rule.highest_frequency).and(rule.and_then(ShapeRule::needed_rate));
        let is_fast = highest.is_some_and(|needed| rate_hz >= needed);
        let shape = match result {
            EdgeResult::Switched(_) => SignalShape::Switched,
            EdgeResult::Changing => SignalShape::Changing,
            EdgeResult::Steady if is_fast || rate_hz >= STEADY_HZ => SignalShape::Steady,
            EdgeResult::Steady | EdgeResult::Unknown => SignalShape::Unknown,
        };
        let switched = match result {
            EdgeResult::Switched(figures) if is_fast => Some(figures),
            _ => None,
        };
        let ripple = self.own.as_ref().filter(|_| is_fast).and_then(|own| own.ripple.ripple());
        let seen = self.own.as_ref().map(|own| own.switch_on.seen());
        let levels = self.edges.levels().filter(|_| shape == SignalShape::Switched);
        let time_constant = seen.and_then(|seen| seen.time_constant()).filter(|_| self.quantity == Quantity::AmpsDc);
        Some(WaveformSummary {
            channel,
            name: name.to_owned(),
            quantity: self.quantity,
            shape,
            rate_hz,
            samples: self.values.count(),
            least: self.values.min()?,
            greatest: self.values.max()?,
            mean: self.values.mean()?,
            rms: self.rms().filter(|_| is_fast),
            low_level: levels.map(|(low, _)| low),
            high_level: levels.map(|(_, high)| high),
            frequency: switched.map(|figures| (figures.frequency.value, figures.frequency.u)),
            duty: switched.map(|figures| (100.0 * figures.duty.value, 100.0 * figures.duty.u)),
            ripple_rms: ripple.map(|ripple| ripple.rms),
            ripple_pp: ripple.map(|ripple| ripple.peak_to_peak),
            switch_ons: seen.map(|seen| seen.count),
            peak: seen.and_then(|seen| seen.peak).filter(|_| is_fast),
            hold: seen.and_then(|seen| seen.hold),
            time_constant: time_constant.map(|tau| (tau.value, tau.u)),
        })
    }
}
