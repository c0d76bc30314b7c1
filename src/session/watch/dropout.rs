//! One channel that falls towards zero for a moment and comes back: a loose contact.

use super::level::SignalLevel;
use crate::{
    channel::Sample,
    clock::Mono,
    protocol::Value,
    units::{Dimension, Quantity},
};

/// What lasts longer can be seen, and is no drop-out: about the time in which an eye notices a display, common practice, no
/// source. A single sample is one however slow its meter is.
const LONGEST_US: i64 = 200_000;
/// A drop-out is deeper than this share of the level: common practice, no source.
const DEPTH: f64 = 0.3;
/// And deeper than so many standard deviations of the noise: at the rates of boards less would be found in noise alone.
const NOISES: f64 = 8.0;
/// And deeper than so many digits.
const DIGITS: f64 = 3.0;
/// A signal is there when it is so many standard deviations above zero.
const ALIVE_NOISES: f64 = 10.0;
/// An open voltmeter lead picks up less than this, V: common practice, no source.
const ALIVE_V: f64 = 0.5;
/// An empty clamp drifts by less than this, A: common practice, no source.
const ALIVE_A: f64 = 0.05;
/// After a longer silence the level is learnt anew.
const SILENCE_US: i64 = 2_000_000;

/// A fall of one channel and its return.
#[derive(Debug, Clone, PartialEq)]
pub struct DropOut {
    /// The channel's name.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// The first sample that had fallen.
    pub began: Mono,
    /// The first sample that was back.
    pub ended: Mono,
    /// The level that it fell from, base units.
    pub level: f64,
    /// The least that was seen, base units.
    pub least: f64,
    /// Samples that had fallen.
    pub samples: u32,
    /// What the last digit of the samples is worth, base units; none where it is not known.
    pub digit: Option<f64>,
}

/// A drop-out before its channel has a name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FoundDropOut {
    pub(super) began: Mono,
    pub(super) ended: Mono,
    pub(super) level: f64,
    pub(super) least: f64,
    pub(super) samples: u32,
    pub(super) digit: Option<f64>,
}

/// Finds the drop-outs of one channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct DropOutDetector {
    quantity: Quantity,
    least_alive: f64,
    level: SignalLevel,
    fallen: Option<Fallen>,
    last: Mono,
    interval_us: i64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Fallen {
    began: Mono,
    least: f64,
    samples: u32,
}

impl DropOutDetector {
    /// For volts and amps; none for what no contact can interrupt.
    pub(super) fn for_quantity(quantity: Quantity) -> Option<Self> {
        let least_alive = match (quantity, quantity.dimension()) {
            (Quantity::VoltsDc, _) => ALIVE_V,
            (Quantity::AmpsDc, _) => ALIVE_A,
            _ => return None,
        };
        debug_assert!(matches!(quantity.dimension(), Dimension::Volt | Dimension::Ampere));
        Some(Self {
            quantity,
            least_alive,
            level: SignalLevel::default(),
            fallen: None,
            last: Mono(i64::MIN / 2),
            interval_us: 0,
        })
    }

    /// What it looks at.
    pub(super) fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// Time between its newest samples, µs.
    pub(super) fn interval_us(&self) -> i64 {
        self.interval_us
    }

    /// Whether something is there that could drop out.
    pub(super) fn is_alive(&self) -> bool {
        self.level.is_known() && self.level.mean().abs() >= self.least_alive.max(ALIVE_NOISES * self.level.noise())
    }

    /// Whether it has fallen and is not back yet.
    pub(super) fn is_fallen(&self) -> bool {
        self.fallen.is_some()
    }

    /// Takes one more sample; a drop-out is found with the first sample that is back.
    pub(super) fn sample(&mut self, sample: &Sample) -> Option<FoundDropOut> {
        let Value::Number(value) = sample.value else {
            // Beyond the range is no fall.
            self.fallen = None;
            return None;
        };
        let since = sample.at.since(self.last);
        self.last = sample.at;
        if since > SILENCE_US {
            (self.level, self.fallen) = (SignalLevel::default(), None);
        } else {
            self.interval_us = since.max(0);
        }
        if !self.is_alive() {
            self.fallen = None;
            self.level.push(value, sample.digit);
            return None;
        }
        let level = self.level.mean();
        let deep =
            (DEPTH * level.abs()).max(NOISES * self.level.noise()).max(DIGITS * self.level.digit().unwrap_or(0.0));
        let depth = (level - value) * level.signum();
        match &mut self.fallen {
            None if depth > deep => {
                self.fallen = Some(Fallen { began: sample.at, least: value, samples: 1 });
                None
            }
            None => {
                self.level.push(value, sample.digit);
                None
            }
            Some(fallen) if depth < deep / 2.0 => {
                let Fallen { began, least, samples } = *fallen;
                self.fallen = None;
                self.level.push(value, sample.digit);
                let short = samples == 1 || sample.at.since(began) <= LONGEST_US;
                short.then_some(FoundDropOut { began, ended: sample.at, level, least, samples, digit: sample.digit })
            }
            Some(fallen) if sample.at.since(fallen.began) > LONGEST_US && fallen.samples > 1 => {
                // It stays down: that is another level.
                (self.level, self.fallen) = (SignalLevel::default(), None);
                self.level.push(value, sample.digit);
                None
            }
            Some(fallen) => {
                fallen.samples += 1;
                if value.abs() < fallen.least.abs() {
                    fallen.least = value;
                }
                None
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{electrics::noise::Noise, session::judge::tests::amps};

    fn watch(values: impl Iterator<Item = f64>, interval_us: i64) -> Vec<FoundDropOut> {
        let mut detector = DropOutDetector::for_quantity(Quantity::AmpsDc).unwrap();
        (0..).zip(values).filter_map(|(index, value)| detector.sample(&amps(index * interval_us, value))).collect()
    }

    /// The synthetic truth: a coil's current at 100 samples a second with 1 % of noise, an hour, one sample in about a
    /// thousand missing half to all of its current.
    #[test]
    fn of_single_samples_that_are_missing_99_in_100_are_found_and_none_is_made_up() {
        for seed in 1..=2 {
            let mut noise = Noise::of_seed(seed);
            let (mut missing, mut values) = (Vec::new(), Vec::new());
            for index in 0..360_000_i64 {
                let is_missing =
                    index > 100 && noise.uniform() < 1e-3 && missing.last().is_none_or(|at| index > at + 1);
                let share = if is_missing { 0.5 * noise.uniform() } else { 1.0 };
                if is_missing {
                    missing.push(index);
                }
                values.push(1.62 * share + 0.0162 * noise.normal());
            }
            let found: Vec<i64> =
                watch(values.into_iter(), 10_000).iter().map(|dropout| dropout.began.0 / 10_000).collect();
            let true_ones = found.iter().filter(|at| missing.binary_search(at).is_ok()).count();
            assert!(missing.len() > 300);
            assert!(true_ones * 100 >= missing.len() * 99, "seed {seed}: {true_ones} of {}", missing.len());
            assert_eq!(found.len(), true_ones, "seed {seed}: false ones");
        }
    }

    #[test]
    fn an_hour_of_noise_has_none() {
        for (seed, level, share) in [(1, 1.62, 0.01), (2, 0.2, 0.05), (3, 12.0, 0.002), (4, 1.0, 0.2)] {
            let mut noise = Noise::of_seed(seed);
            let found = watch((0..360_000).map(|_| level * (1.0 + share * noise.normal())), 10_000);
            assert_eq!(found, [], "level {level}, noise {share}");
        }
    }

    #[test]
    fn what_stays_down_is_switched_off() {
        let current = |index: i64| if (100..150).contains(&index) { 0.01 } else { 1.62 };
        assert_eq!(watch((0..300).map(current), 10_000), [], "half a second");
        let current = |index: i64| if (100..115).contains(&index) { 0.01 } else { 1.62 };
        let found = watch((0..300).map(current), 10_000);
        assert_eq!(found.len(), 1);
        let FoundDropOut { began, ended, level, least, samples, .. } = found[0];
        assert_eq!((began, ended, samples), (Mono(1_000_000), Mono(1_150_000), 15));
        assert!((level - 1.62).abs() < 1e-9 && least == 0.01);
        // One reading of a slow meter.
        let found = watch((0..60).map(|index| if index == 30 { 0.4 } else { 1.62 }), 330_000);
        assert_eq!(found.len(), 1);
    }

    #[test]
    fn an_empty_clamp_has_nothing_to_lose() {
        let mut noise = Noise::of_seed(9);
        assert_eq!(watch((0..10_000).map(|_| 0.02 + 0.01 * noise.normal()), 10_000), []);
    }
}
