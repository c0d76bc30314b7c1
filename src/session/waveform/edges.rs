//! The two levels of a switched signal, and the duty and frequency of its edges.
//!
//! The levels are those of the last second. An edge is where the signal crosses the middle, between two samples in a straight
//! line, on its way from one level near to the other (a hysteresis of 20 % on either side of the middle). Times count in
//! samples: those of a chunk arrive together.

use super::sample_rate::SampleRate;
use crate::{
    clock::Mono,
    electrics::{RunningStatistics, Uncertain},
};

/// The extremes are taken over so many blocks of this length: one second, µs.
const BLOCKS: usize = 16;
const BLOCK_US: i64 = 62_500;
/// Beyond the middle by this share of the way from level to level.
const HYSTERESIS: f64 = 0.2;
/// A signal that moves by less than this share of itself is steady: common practice, no source.
const STEADY_SHARE: f64 = 0.2;
/// And so is one that moves by fewer digits.
const STEADY_DIGITS: f64 = 8.0;
/// Two periods that differ by less than this share, or by one sample, are alike.
const ALIKE: f64 = 0.25;
/// So many periods that are alike are needed, and this share of all.
const LEAST_PERIODS: u64 = 8;
const LEAST_ALIKE: f64 = 0.8;
/// A signal that moves in less than this share of the time is steady, in more than its complement it is not.
const SELDOM: f64 = 0.2;
/// The rounding of edges to samples averages out over so many periods at most.
const MOST_AVERAGED: u64 = 400;

/// How a signal went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum EdgeResult {
    /// Too little was seen.
    Unknown,
    /// It stayed at its level.
    Steady,
    /// From one level to the other and back, again and again.
    Switched(SwitchedFigures),
    /// It moved without a period.
    Changing,
}

/// Of a signal that switches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SwitchedFigures {
    /// Hz.
    pub(super) frequency: Uncertain,
    /// Share of the time at the high level, 0 to 1.
    pub(super) duty: Uncertain,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Extremes {
    least: f64,
    greatest: f64,
}

impl Extremes {
    const NONE: Self = Self { least: f64::INFINITY, greatest: f64::NEG_INFINITY };

    fn with(self, other: Self) -> Self {
        Self { least: self.least.min(other.least), greatest: self.greatest.max(other.greatest) }
    }

    fn span(self) -> f64 {
        (self.greatest - self.least).max(0.0)
    }
}

/// Finds levels and edges.
#[derive(Debug, Clone)]
pub(super) struct EdgeMeter {
    /// A signal that moves by less is steady: what an open lead or an empty clamp does.
    floor: f64,
    digit: f64,
    block: Extremes,
    block_began: Option<Mono>,
    ring: [Extremes; BLOCKS],
    place: usize,
    /// The middle of the levels and the hysteresis on either side, while it moves.
    middle: Option<(f64, f64)>,
    is_high: Option<bool>,
    /// Samples since the last gap, and the last one.
    count: u64,
    last: f64,
    /// The last crossing of the middle upwards and downwards, in samples.
    crossed_up: f64,
    crossed_down: f64,
    rise: Option<f64>,
    fall: Option<f64>,
    period_before: Option<f64>,
    /// Samples in a row between rises, as whole numbers: whether the samples pass over all phases.
    whole_before: Option<u64>,
    whole: RunningStatistics,
    alike: u64,
    unlike: u64,
    periods: f64,
    highs: f64,
    moving_blocks: u64,
    blocks: u64,
    high: RunningStatistics,
    low: RunningStatistics,
}

impl EdgeMeter {
    pub(super) fn new(floor: f64) -> Self {
        Self {
            floor,
            digit: 0.0,
            block: Extremes::NONE,
            block_began: None,
            ring: [Extremes::NONE; BLOCKS],
            place: 0,
            middle: None,
            is_high: None,
            count: 0,
            last: 0.0,
            crossed_up: 0.0,
            crossed_down: 0.0,
            rise: None,
            fall: None,
            period_before: None,
            whole_before: None,
            whole: RunningStatistics::default(),
            alike: 0,
            unlike: 0,
            periods: 0.0,
            highs: 0.0,
            moving_blocks: 0,
            blocks: 0,
            high: RunningStatistics::default(),
            low: RunningStatistics::default(),
        }
    }

    /// Takes one more value; `follows` says whether it comes right after the last one.
    pub(super) fn push(&mut self, at: Mono, value: f64, digit: Option<f64>, follows: bool) {
        self.digit = digit.unwrap_or(self.digit);
        if !follows {
            self.forget_edges();
            (self.block, self.block_began, self.ring) = (Extremes::NONE, None, [Extremes::NONE; BLOCKS]);
            self.middle = None;
        }
        self.block = self.block.with(Extremes { least: value, greatest: value });
        let began = *self.block_began.get_or_insert(at);
        if at.since(began) >= BLOCK_US {
            self.close_block(at);
        }
        if let Some((middle, room)) = self.middle {
            self.edge(value, middle, room);
        }
        self.count += 1;
        self.last = value;
    }

    fn forget_edges(&mut self) {
        (self.is_high, self.rise, self.fall, self.period_before, self.whole_before) = (None, None, None, None, None);
    }

    fn close_block(&mut self, at: Mono) {
        self.ring[self.place] = std::mem::replace(&mut self.block, Extremes::NONE);
        self.place = (self.place + 1) % BLOCKS;
        self.block_began = Some(at);
        let all = self.ring.iter().fold(Extremes::NONE, |all, own| all.with(*own));
        let size = all.least.abs().max(all.greatest.abs());
        let least = (STEADY_SHARE * size).max(STEADY_DIGITS * self.digit).max(self.floor);
        self.blocks += 1;
        if all.span() > least {
            self.moving_blocks += 1;
            self.middle = Some((f64::midpoint(all.least, all.greatest), HYSTERESIS * all.span()));
        } else if self.middle.take().is_some() {
            self.forget_edges();
        }
    }

    fn edge(&mut self, value: f64, middle: f64, room: f64) {
        if self.count > 0 && (self.last - middle) * (value - middle) < 0.0 {
            let crossing = self.count as f64 - 1.0 + (middle - self.last) / (value - self.last);
            if value > middle { self.crossed_up = crossing } else { self.crossed_down = crossing }
        }
        if value > middle + room {
            self.high.push(value);
            if self.is_high == Some(false) {
                self.rise(self.crossed_up);
            }
            self.is_high = Some(true);
        } else if value < middle - room {
            self.low.push(value);
            if self.is_high == Some(true) {
                self.fall = Some(self.crossed_down);
            }
            self.is_high = Some(false);
        }
    }

    fn rise(&mut self, at: f64) {
        let whole = self.count;
        let previous = self.rise.replace(at);
        let whole_previous = self.whole_before.replace(whole);
        let (Some(rise), Some(fall), Some(whole_previous)) = (previous, self.fall, whole_previous) else { return };
        let (period, high) = (at - rise, fall - rise);
        if period <= 0.0 || high < 0.0 || high > period {
            return;
        }
        let is_alike = self
            .period_before
            .replace(period)
            .is_some_and(|before| (period - before).abs() <= (ALIKE * before).max(1.01));
        if is_alike {
            self.alike += 1;
            self.periods += period;
            self.highs += high;
            self.whole.push((whole - whole_previous) as f64);
        } else {
            self.unlike += 1;
        }
    }

    /// The high and the low level; none while there are no two.
    pub(super) fn levels(&self) -> Option<(f64, f64)> {
        self.low.mean().zip(self.high.mean())
    }

    /// What it came to.
    pub(super) fn result(&self, rate: &SampleRate) -> EdgeResult {
        let Some(interval) = rate.interval().filter(|_| self.blocks >= 4) else { return EdgeResult::Unknown };
        let moving = self.moving_blocks as f64 / self.blocks as f64;
        let all = (self.alike + self.unlike) as f64;
        // The second of a change counts as moving.
        let moved_us = self.moving_blocks.saturating_sub(BLOCKS as u64) as f64 * BLOCK_US as f64;
        let is_filled = self.periods * interval * 1e6 >= 0.5 * moved_us;
        if self.alike >= LEAST_PERIODS && self.alike as f64 >= LEAST_ALIKE * all && is_filled {
            return EdgeResult::Switched(self.figures(interval, rate));
        }
        if moving < SELDOM { EdgeResult::Steady } else { EdgeResult::Changing }
    }

    /// An edge is known to one sample (rectangular). Where the samples pass over all phases of the period that averages out.
    fn figures(&self, interval: f64, rate: &SampleRate) -> SwitchedFigures {
        let period = self.periods / self.alike as f64;
        let edges = 1.0 / 6f64.sqrt();
        let passes = self.whole.deviation().is_some_and(|deviation| deviation >= 0.3);
        let averaged = if passes { self.alike.min(MOST_AVERAGED) as f64 } else { 1.0 };
        let frequency = 1.0 / (period * interval);
        let relative = (edges / self.periods).hypot(rate.relative_u());
        let runs = (1.0 + self.unlike as f64).sqrt();
        SwitchedFigures {
            frequency: Uncertain::new(frequency, frequency * relative * runs),
            duty: Uncertain::new(self.highs / self.periods, edges / period / averaged.sqrt()),
        }
    }
}
