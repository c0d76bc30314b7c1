//! A change of one channel: from what to what, when, and how long it took.

use std::collections::VecDeque;

use super::level::SignalLevel;
use crate::{
    channel::Sample,
    clock::Mono,
    electrics::CumulativeSums,
    protocol::Value,
    units::{Quantity, ValueFormat, show_duration},
};

/// Reference and threshold of the sums, standard deviations: found sooner than by single values, with fewer than one false
/// alarm in a thousand million samples (tests of `CumulativeSums`).
const REFERENCE: f64 = 2.0;
const THRESHOLD: f64 = 6.0;
/// A change is larger than this share of the larger level: common practice, no source.
const LEAST_SHARE: f64 = 0.02;
/// Two blocks agree within this share of the way: what an exponential rise has left to go is then less than `LEAST_SHARE`.
const SETTLED_SHARE: f64 = 0.005;
/// And larger than so many standard deviations, and so many digits.
const LEAST_NOISES: f64 = 4.0;
const LEAST_DIGITS: f64 = 3.0;
/// Two blocks of this length one after the other that agree are a level, µs.
const BLOCK_US: i64 = 50_000;
/// A block has so many samples at least.
const BLOCK_SAMPLES: u32 = 2;
/// A signal that has not settled after this time is taken as it is, µs.
const LONGEST_US: i64 = 5_000_000;
/// The jitter is that of about so many intervals.
const JITTER_MEMORY: f64 = 64.0;
/// After a longer silence the level is learnt anew, µs.
const SILENCE_US: i64 = 2_000_000;
/// Samples that are kept from before a change is noticed, and of the whole of it; a longer one is thinned out.
const BEFORE: usize = 32;
const PATH: usize = 2048;

/// A change of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalChange {
    /// step.number
    pub step: u32,
    /// Counted from 1 over the step.
    pub number: u32,
    /// The channel's name.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// When, from what and to what.
    pub change: LevelChange,
}

impl SignalChange {
    /// One sentence.
    pub fn text(&self) -> String {
        let LevelChange { lasted_us, interval_us, .. } = self.change;
        let (from, to) = self.change.levels(self.quantity);
        let lasted = match lasted_us > interval_us {
            true => format!("in {}", show_duration(lasted_us as f64 / 1e6)),
            false => format!("in less than {}", show_duration(interval_us as f64 / 1e6)),
        };
        format!("{} went from {from} to {to} {lasted}", self.channel)
    }
}

/// From one level to another. Values are in base units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelChange {
    /// When it was halfway.
    pub at: Mono,
    /// The level before.
    pub from: f64,
    /// The level after.
    pub to: f64,
    /// From 10 % to 90 % of the way (the usual definition of a rise time), µs.
    pub lasted_us: i64,
    /// Between two samples then, µs.
    pub interval_us: i64,
    /// Standard deviation of that time, µs: how well the samples are dated.
    pub jitter_us: i64,
    /// What the last digit of the samples is worth, base units; none where it is not known.
    pub digit: Option<f64>,
}

impl LevelChange {
    /// Both levels with the digits of the samples: their means have more of them, which nobody can read off the meter.
    pub(super) fn levels(&self, quantity: Quantity) -> (String, String) {
        let format = ValueFormat::new(quantity, self.digit, None);
        (format.show(self.from), format.show(self.to))
    }
}

/// Finds the changes of one channel.
#[derive(Debug, Clone)]
pub(in crate::session) struct ChangeDetector {
    quantity: Quantity,
    level: SignalLevel,
    sums: CumulativeSums,
    before: VecDeque<(Mono, f64)>,
    path: Vec<(Mono, f64)>,
    moving: Option<Moving>,
    last: Mono,
    interval_us: i64,
    /// Mean interval, those of no length counted, and the mean square distance from it, µs and µs².
    mean_us: f64,
    jitter: f64,
}

/// A change that has not come to its end.
#[derive(Debug, Clone, Copy)]
struct Moving {
    noticed: Mono,
    /// Of so many samples one is kept.
    stride: u32,
    skipped: u32,
    block: Block,
    previous: Option<Block>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Block {
    began: Option<Mono>,
    count: u32,
    sum: f64,
}

impl Block {
    fn mean(&self) -> f64 {
        self.sum / f64::from(self.count.max(1))
    }
}

impl ChangeDetector {
    pub(in crate::session) fn new(quantity: Quantity) -> Self {
        Self {
            quantity,
            level: SignalLevel::default(),
            sums: CumulativeSums::new(REFERENCE, THRESHOLD),
            before: VecDeque::with_capacity(BEFORE),
            path: Vec::with_capacity(PATH),
            moving: None,
            last: Mono(i64::MIN / 2),
            interval_us: 0,
            mean_us: 0.0,
            jitter: 0.0,
        }
    }

    /// What it looks at.
    pub(super) fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// The present level; none while it is not known.
    pub(super) fn level(&self) -> Option<f64> {
        self.level.is_known().then(|| self.level.mean())
    }

    /// Between two samples, µs.
    pub(super) fn interval_us(&self) -> i64 {
        self.interval_us
    }

    /// The samples of the change that was found last, from before it to its end; a long one is thinned out.
    pub(in crate::session) fn path(&self) -> &[(Mono, f64)] {
        &self.path
    }

    /// Takes one more sample; a change is found once the new level is known.
    pub(in crate::session) fn sample(&mut self, sample: &Sample) -> Option<LevelChange> {
        let Value::Number(value) = sample.value else { return None };
        let since = sample.at.since(self.last);
        self.last = sample.at;
        if since > SILENCE_US {
            (self.level, self.moving) = (SignalLevel::default(), None);
            self.sums.reset();
            self.before.clear();
        } else if since >= 0 {
            // A board sends several samples in one chunk: the mean counts, not the last distance.
            if since > 0 {
                self.interval_us = if self.interval_us == 0 { since } else { (7 * self.interval_us + since) / 8 };
            }
            if self.mean_us == 0.0 {
                self.mean_us = since as f64;
            }
            let off = since as f64 - self.mean_us;
            self.mean_us += off / JITTER_MEMORY;
            self.jitter += (off * off - self.jitter) / JITTER_MEMORY;
        }
        match self.moving {
            Some(moving) => self.moving(sample.at, value, moving),
            None => {
                self.steady(sample, value);
                None
            }
        }
    }

    fn steady(&mut self, sample: &Sample, value: f64) {
        if self.before.len() == BEFORE {
            self.before.pop_front();
        }
        self.before.push_back((sample.at, value));
        let known = self.level.is_known();
        if known && self.sums.push((value - self.level.mean()) / self.level.sum_deviation()) {
            self.path.clear();
            self.path.extend(&self.before);
            let (block, previous) = (Block::default(), None);
            self.moving = Some(Moving { noticed: sample.at, stride: 1, skipped: 0, block, previous });
        } else {
            self.level.push(value, sample.digit);
        }
    }

    fn moving(&mut self, at: Mono, value: f64, mut moving: Moving) -> Option<LevelChange> {
        moving.skipped += 1;
        if moving.skipped >= moving.stride {
            moving.skipped = 0;
            if self.path.len() == PATH {
                let mut index = 0;
                self.path.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                moving.stride *= 2;
            }
            self.path.push((at, value));
        }
        let block = &mut moving.block;
        let began = *block.began.get_or_insert(at);
        block.count += 1;
        block.sum += value;
        let mut end = None;
        if block.count >= BLOCK_SAMPLES && at.since(began) >= BLOCK_US {
            let late = at.since(moving.noticed) > LONGEST_US;
            match moving.previous {
                Some(previous) if self.agree(&previous, block) => {
                    end = Some((previous.sum + block.sum) / f64::from(previous.count + block.count));
                }
                _ if late => end = Some(block.mean()),
                _ => {}
            }
            moving.previous = Some(*block);
            moving.block = Block::default();
        }
        self.moving = end.is_none().then_some(moving);
        self.settled(end?)
    }

    /// What the last digit of its samples is worth, base units; none where it is not known.
    pub(super) fn digit(&self) -> Option<f64> {
        self.level.digit()
    }

    fn agree(&self, one: &Block, other: &Block) -> bool {
        let apart = (one.mean() - other.mean()).abs();
        let noise = self.level.sum_deviation() * (1.0 / f64::from(one.count) + 1.0 / f64::from(other.count)).sqrt();
        let size = (other.mean() - self.level.mean()).abs();
        apart <= (3.0 * noise).max(SETTLED_SHARE * size).max(self.digit().unwrap_or(0.0))
    }

    fn settled(&mut self, to: f64) -> Option<LevelChange> {
        let from = self.level.mean();
        let least = (LEAST_NOISES * self.level.deviation())
            .max(LEAST_DIGITS * self.digit().unwrap_or(0.0))
            .max(LEAST_SHARE * from.abs().max(to.abs()));
        self.level.move_to(to);
        self.sums.reset();
        self.before.clear();
        // It came back: a drop-out, or noise.
        if (to - from).abs() < least {
            return None;
        }
        let at = |share: f64| crossing(&self.path, from + share * (to - from), (to - from).signum());
        let (begun, halfway, done) = (at(0.1)?, at(0.5)?, at(0.9)?);
        let lasted_us = done.since(begun).max(0);
        Some(LevelChange {
            at: halfway,
            from,
            to,
            lasted_us,
            interval_us: self.interval_us,
            jitter_us: self.jitter.sqrt() as i64,
            digit: self.digit(),
        })
    }
}

/// When a path first goes beyond a value and stays there for another sample, between samples in a straight line.
fn crossing(path: &[(Mono, f64)], value: f64, direction: f64) -> Option<Mono> {
    let is_beyond = |index: usize| path.get(index).is_none_or(|(_, own)| (own - value) * direction >= 0.0);
    let index = (0..path.len()).find(|index| is_beyond(*index) && is_beyond(index + 1))?;
    let (at, own) = path[index];
    let Some((before_at, before)) = index.checked_sub(1).map(|before| path[before]) else { return Some(at) };
    let share = if own == before { 1.0 } else { ((value - before) / (own - before)).clamp(0.0, 1.0) };
    Some(Mono(before_at.0 + (share * at.since(before_at) as f64) as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{electrics::noise::Noise, session::judge::tests::amps};

    fn changes(samples: impl Iterator<Item = (i64, f64)>) -> Vec<LevelChange> {
        let mut detector = ChangeDetector::new(Quantity::AmpsDc);
        samples.filter_map(|(at, value)| detector.sample(&Sample { digit: Some(0.001), ..amps(at, value) })).collect()
    }

    /// The synthetic truth: no change in an hour of steady noise at the rate and noise of a usual board.
    #[test]
    fn an_hour_of_steady_noise_has_no_change() {
        for (seed, level, share) in [(1, 1.62, 0.01), (2, 0.0, 0.0), (3, 12.6, 0.002)] {
            let mut noise = Noise::of_seed(seed);
            let spread = if level == 0.0 { 0.005 } else { level * share };
            let found = changes((0..360_000).map(|index| (index * 10_000, level + spread * noise.normal())));
            assert_eq!(found, [], "level {level}");
        }
    }

    /// Seen: behind a strong low-pass filter noise was taken for changes, hundreds in an hour. First-order noise of these coefficients is
    /// what such a filter leaves of white noise.
    #[test]
    fn filtered_noise_has_no_change_and_a_fall_in_it_is_found() {
        for (seed, coefficient) in [(1, 0.5), (2, 0.7), (3, 0.8), (4, 0.9), (5, 0.95), (6, 0.98)] {
            let (mut noise, mut value) = (Noise::of_seed(seed), 0.0);
            let mut sample = |index: i64| {
                value = coefficient * value + (1.0f64 - coefficient * coefficient).sqrt() * noise.normal();
                (index * 10_000, if index < 360_000 { 1.62 } else { 0.0 } + 0.016 * value)
            };
            let found = changes((0..360_500).map(&mut sample));
            assert_eq!(found.len(), 1, "coefficient {coefficient}: {:?}", &found[..found.len().min(5)]);
            assert!((found[0].at.0 - 3_600_000_000).abs() <= 10_000, "coefficient {coefficient}: {:?}", found[0]);
        }
    }

    /// Seen: the empty clamp of a board that sends milliamps went to "-145.0 uA".
    #[test]
    fn levels_have_the_digits_of_the_samples() {
        let samples =
            (0..200).map(|index| (index * 10_000, if index < 100 { 1.62 } else { -0.001 * f64::from(index % 7 == 0) }));
        let change = changes(samples).remove(0);
        assert_eq!(change.levels(Quantity::AmpsDc), ("1.620 A".to_owned(), "0.000 A".to_owned()));
    }

    #[test]
    fn a_fall_has_its_time_its_levels_and_its_duration() {
        for seed in 1..=20 {
            let mut noise = Noise::of_seed(seed);
            let falls_at = 2_000_000.0 + 10_000.0 * noise.uniform();
            let samples = (0..400).map(|index| {
                let at = index * 10_000;
                (at, if (at as f64) < falls_at { 1.0 } else { 0.02 } + 0.01 * noise.normal())
            });
            let found = changes(samples.collect::<Vec<_>>().into_iter());
            assert_eq!(found.len(), 1, "seed {seed}: {found:?}");
            let LevelChange { at, from, to, lasted_us, interval_us, .. } = found[0];
            assert!((at.0 as f64 - falls_at).abs() <= 5_100.0, "seed {seed}: {at:?}, {falls_at}");
            assert!((from - 1.0).abs() < 0.01 && (to - 0.02).abs() < 0.01, "seed {seed}: {from} to {to}");
            assert!(lasted_us <= 10_000 && interval_us == 10_000, "seed {seed}: {lasted_us}");
        }
    }

    /// The rise of a coil's current: 10 % to 90 % takes ln 9 time constants (closed form of the RL step, from memory).
    #[test]
    fn the_rise_of_a_coil_takes_ln_9_time_constants() {
        for tau_ms in [5.0, 20.0, 80.0] {
            let samples = (0..8_000).map(|index| {
                let at_us = index * 500;
                let t = (at_us as f64 / 1e3 - 1000.0).max(0.0);
                (at_us, 0.02 + 1.6 * (1.0 - (-t / tau_ms).exp()))
            });
            let found = changes(samples);
            assert_eq!(found.len(), 1, "{tau_ms} ms: {found:?}");
            let expected = tau_ms * 1000.0 * 9f64.ln();
            assert!((found[0].lasted_us as f64 / expected - 1.0).abs() < 0.04, "{tau_ms} ms: {:?}", found[0]);
            let halfway = 1_000_000.0 + tau_ms * 1000.0 * 2f64.ln();
            assert!((found[0].at.0 as f64 - halfway).abs() < 0.05 * expected, "{tau_ms} ms: {:?}", found[0]);
        }
    }

    #[test]
    fn a_drop_out_is_no_change() {
        let found = changes((0..1000).map(|index| (index * 10_000, if index == 500 { 0.0 } else { 1.62 })));
        assert_eq!(found, []);
    }

    #[test]
    fn a_slow_meter_finds_a_change_too() {
        let found = changes((0..40).map(|index| (index * 333_000, if index < 20 { 1.0 } else { 0.0 })));
        assert_eq!(found.len(), 1);
        assert!((found[0].at.0 - 6_500_000).abs() < 340_000 && found[0].interval_us > 300_000, "{found:?}");
    }
}
