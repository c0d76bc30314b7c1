//! How a signal goes on when it is switched on: peak, what it settles at, and how fast it rises.
//!
//! A coil's current rises with L/R. Shorted turns take inductance away long before resistance: coupled to the others, they act
//! as a short on the secondary side of a transformer (any textbook of circuits), so the time constant is the first to fall.

use crate::{
    channel::Sample,
    electrics::{ExponentialFit, Uncertain},
    session::watch::ChangeDetector,
    units::Quantity,
};

/// A level below this share of the one that it is switched on to is off.
const OFF_SHARE: f64 = 0.2;
/// The fit begins where the rise has gone this share of its way: before it the driver is still switching.
const FIT_FROM: f64 = 0.1;
/// And ends after so many of its own 10 % to 90 % times.
const FIT_TIMES: f64 = 4.0;
/// So many samples within a time constant at least.
const LEAST_SAMPLES: f64 = 2.0;
/// Residuals that follow each other closer than this are of another curve.
const FOLLOWING: f64 = 0.3;
/// So many rises are kept.
const MOST: usize = 256;

/// What was seen while it was switched on.
#[derive(Debug, Clone, Default)]
pub(super) struct SwitchOns {
    /// How often it was switched on.
    pub(super) count: u64,
    /// The greatest by size, in the signal's unit.
    pub(super) peak: Option<f64>,
    /// So many samples were near it: beyond halfway from what it settled at.
    pub(super) peak_samples: u64,
    /// What it settled at last.
    pub(super) hold: Option<f64>,
    /// Time constants, s.
    pub(super) rises: Vec<Uncertain>,
    /// How often it rose within too few samples, and the longest time constant that such a rise may have, s.
    pub(super) too_fast: u64,
    pub(super) at_most: f64,
    /// Samples lie so far apart then, s.
    pub(super) interval: f64,
}

/// Follows one signal.
#[derive(Debug, Clone)]
pub(super) struct SwitchOnMeter {
    detector: ChangeDetector,
    is_on: bool,
    /// The greatest by size since it was switched on, and how many samples were so large.
    greatest: f64,
    seen: SwitchOns,
}

impl SwitchOnMeter {
    pub(super) fn new(quantity: Quantity) -> Self {
        Self { detector: ChangeDetector::new(quantity), is_on: false, greatest: 0.0, seen: SwitchOns::default() }
    }

    pub(super) fn push(&mut self, sample: &Sample) {
        let Some(change) = self.detector.sample(sample) else { return };
        let (from, to) = (change.from, change.to);
        let interval = change.interval_us as f64 / 1e6;
        if to.abs() < OFF_SHARE * from.abs() {
            self.is_on = false;
            return;
        }
        let path = self.detector.path();
        let extreme = path
            .iter()
            .map(|(_, value)| *value)
            .fold(to, |one, other| if other.abs() > one.abs() { other } else { one });
        let is_switch_on = from.abs() < OFF_SHARE * to.abs().max(extreme.abs());
        if is_switch_on {
            (self.is_on, self.greatest) = (true, 0.0);
            self.seen.count += 1;
            self.rise(from, to, interval);
        }
        if !self.is_on {
            return;
        }
        if extreme.abs() > self.greatest.abs() {
            self.greatest = extreme;
            if self.seen.peak.is_none_or(|peak| extreme.abs() > peak.abs()) {
                let halfway = f64::midpoint(extreme.abs(), to.abs());
                let near = self.detector.path().iter().filter(|(_, value)| value.abs() >= halfway).count();
                (self.seen.peak, self.seen.peak_samples) = (Some(extreme), near as u64);
            }
        }
        (self.seen.hold, self.seen.interval) = (Some(to), interval);
    }

    /// Only a rise without a surge is that of a coil.
    fn rise(&mut self, from: f64, to: f64, interval: f64) {
        let path = self.detector.path();
        let share = |value: f64| (value - from) / (to - from);
        let Some(first) = path.iter().position(|(_, value)| share(*value) >= FIT_FROM) else { return };
        let Some(ninety) = path.iter().position(|(_, value)| share(*value) >= 0.9) else { return };
        let began = path[first].0;
        let until = (path[ninety].0.since(began) as f64 / 1e6).max(interval) * FIT_TIMES;
        let points: Vec<(f64, f64)> = path[first..]
            .iter()
            .map(|(at, value)| (at.since(began) as f64 / 1e6, *value))
            .take_while(|(at, _)| *at <= until)
            .collect();
        let fit = ExponentialFit::of(&points).filter(|fit| fit.time_constant.value >= LEAST_SAMPLES * interval);
        let Some(fit) = fit else {
            if ninety <= first + LEAST_SAMPLES as usize + 2 {
                self.seen.too_fast += 1;
                self.seen.at_most = LEAST_SAMPLES * interval;
            }
            return;
        };
        // Residuals that hang together count as fewer: (1 + ρ) / (1 - ρ), as for a mean of correlated values (from memory).
        let widening = if fit.correlation > FOLLOWING {
            ((1.0 + fit.correlation) / (1.0 - fit.correlation.min(0.99))).sqrt()
        } else {
            1.0
        };
        if self.seen.rises.len() < MOST {
            let tau = fit.time_constant;
            self.seen.rises.push(Uncertain::new(tau.value, tau.u * widening));
        }
    }

    pub(super) fn seen(&self) -> &SwitchOns {
        &self.seen
    }
}

impl SwitchOns {
    /// The mean of the time constants weighted by their uncertainties, with the larger of what they state and what they scatter
    /// by (Birge's ratio, from memory); none where no rise could be fitted.
    pub(super) fn time_constant(&self) -> Option<Uncertain> {
        let least = self.rises.iter().map(|tau| tau.u).filter(|u| *u > 0.0).fold(f64::INFINITY, f64::min);
        let weight = |tau: &Uncertain| if least.is_finite() { 1.0 / tau.u.max(least).powi(2) } else { 1.0 };
        let weights: f64 = self.rises.iter().map(weight).sum();
        if weights <= 0.0 {
            return None;
        }
        let mean = self.rises.iter().map(|tau| weight(tau) * tau.value).sum::<f64>() / weights;
        let stated = if least.is_finite() { 1.0 / weights.sqrt() } else { 0.0 };
        let n = self.rises.len() as f64;
        let scatter = match self.rises.len() {
            1 => 0.0,
            _ => {
                let squares: f64 = self.rises.iter().map(|tau| weight(tau) * (tau.value - mean).powi(2)).sum();
                (squares / ((n - 1.0) * weights)).sqrt()
            }
        };
        Some(Uncertain::new(mean, stated.max(scatter)))
    }
}
