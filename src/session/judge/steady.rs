//! Has a reading settled? A window over the newest samples, bounded in memory however fast they come.

use std::collections::VecDeque;

use crate::{clock::Mono, electrics::Trend};

/// Samples that come closer together than this share of the window are averaged first.
const BINS: i64 = 48;

/// Most bins of a window: those of its length, the one that begins before it, and the one being filled.
const MOST_BINS: usize = BINS as usize + 2;

/// Fewer readings than this prove nothing.
const LEAST: usize = 3;

/// A steady display flickers by up to this many digits: common practice, no source.
const DIGITS: f64 = 2.0;

/// A settled reading varies by at most this share of itself: common practice, no source.
const SHARE: f64 = 0.003;

/// A reading whose noise is more than this share of itself is a bad contact: common practice, no source.
const ROUGH: f64 = 0.01;

/// The mean over a steady window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// The mean.
    pub value: f64,
    /// Experimental standard deviation of the readings.
    pub deviation: f64,
    /// Readings in the window.
    pub count: u64,
    /// When the window ended.
    pub at: Mono,
}

impl Settled {
    /// Standard uncertainty of the mean from repetition alone: s / √n, JCGM 100:2008 4.2.3.
    pub fn repeatability(&self) -> f64 {
        self.deviation / (self.count as f64).sqrt()
    }
}

/// The newest samples of a signal.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SteadyWindow {
    /// How long a reading must be steady, µs; above zero.
    length: i64,
    /// How long a bin takes samples, µs.
    bin: i64,
    bins: VecDeque<Bin>,
    /// Size of the last digit; zero where it is not known.
    digit: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Bin {
    first: Mono,
    last: Mono,
    count: u64,
    /// The bin's first value. The sums are of differences from it, so that a large value costs no
    /// digits and a sample costs no division.
    origin: f64,
    sum: f64,
    squares: f64,
}

impl Bin {
    fn new(at: Mono, value: f64) -> Self {
        Self { first: at, last: at, count: 1, origin: value, sum: 0.0, squares: 0.0 }
    }

    fn add(&mut self, at: Mono, value: f64) {
        let difference = value - self.origin;
        self.last = at;
        self.count += 1;
        self.sum += difference;
        self.squares += difference * difference;
    }

    fn mean(&self) -> f64 {
        self.origin + self.sum / self.count as f64
    }

    /// Sum of squared deviations from a value.
    fn squares_about(&self, value: f64) -> f64 {
        let shift = value - self.origin;
        (self.squares - 2.0 * shift * self.sum + self.count as f64 * shift * shift).max(0.0)
    }
}

impl SteadyWindow {
    /// A window of this length, µs.
    pub(crate) fn new(length: i64) -> Self {
        let length = length.max(1);
        Self { length, bin: length / BINS, bins: VecDeque::new(), digit: 0.0 }
    }

    /// Forgets all samples.
    pub(crate) fn clear(&mut self) {
        self.bins.clear();
    }

    /// One more sample.
    pub(crate) fn push(&mut self, at: Mono, value: f64, digit: Option<f64>) {
        self.digit = digit.unwrap_or(0.0);
        match self.bins.back_mut() {
            Some(bin) if at.since(bin.first) < self.bin => bin.add(at, value),
            _ => self.bins.push_back(Bin::new(at, value)),
        }
        // The oldest bin that still spans the length stays: without it the window would never be full.
        while self.bins.get(1).is_some_and(|second| at.since(second.first) >= self.length) {
            self.bins.pop_front();
        }
    }

    /// The mean, when the reading has been steady for the whole length.
    ///
    /// Steady means: the window is full, what trend there is does not show against the band and the
    /// noise, the readings do not wander beyond them, and the noise itself is no bad contact.
    /// `coarse` is the noise that the purpose tolerates, base units.
    pub(crate) fn settled(&self, coarse: f64) -> Option<Settled> {
        let (first, last) = (self.bins.front()?, self.bins.back()?);
        if self.bins.len() < LEAST || last.last.since(first.first) < self.length * 9 / 10 {
            return None;
        }
        let settled = self.mean()?;
        let size = settled.value.abs();
        let band = (DIGITS * self.digit).max(SHARE * size);
        // On the stack: this runs on every sample until a value is captured.
        let mut points = [(0.0, 0.0); MOST_BINS];
        let points = points.get_mut(..self.bins.len())?;
        for (point, bin) in points.iter_mut().zip(&self.bins) {
            *point = (bin.first.since(first.first) as f64 / 1e6, bin.mean());
        }
        let noise = noise(points);
        let (least, most) = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), (_, value)| {
            (least.min(*value), most.max(*value))
        });
        // Six standard deviations hold nearly all of a window's readings where only noise moves them.
        if noise > (1.5 * self.digit).max(ROUGH * size).max(coarse) || most - least > band.max(6.0 * noise) {
            return None;
        }
        let drift = Trend::of(points)?.over(self.length as f64 / 1e6);
        (drift.value.abs() <= band.max(3.0 * drift.u)).then_some(settled)
    }

    /// The mean of what the window holds, steady or not.
    pub(crate) fn mean(&self) -> Option<Settled> {
        let last = self.bins.back()?;
        let count: u64 = self.bins.iter().map(|bin| bin.count).sum();
        let origin = self.bins.front()?.origin;
        let sum: f64 = self.bins.iter().map(|bin| bin.sum + bin.count as f64 * (bin.origin - origin)).sum();
        let value = origin + sum / count as f64;
        let squares: f64 = self.bins.iter().map(|bin| bin.squares_about(value)).sum();
        let deviation = if count > 1 { (squares / (count - 1) as f64).sqrt() } else { 0.0 };
        Some(Settled { value, deviation, count, at: last.last })
    }
}

/// Noise from one reading to the next, as a standard deviation.
///
/// The median of the steps and not their mean square: a lead that lands makes one large step, which must
/// not be taken for the noise that excuses it. For normal noise σ is the median step / (0.6745 √2): the
/// upper quartile of the normal distribution, since a step has the variance 2σ². Of an even count the
/// lower middle one, so that few readings are held to the band.
fn noise(points: &[(f64, f64)]) -> f64 {
    let mut steps = [0.0; MOST_BINS];
    let count = points.len().saturating_sub(1).min(MOST_BINS);
    let steps = &mut steps[..count];
    for (step, pair) in steps.iter_mut().zip(points.windows(2)) {
        *step = (pair[1].1 - pair[0].1).abs();
    }
    if steps.is_empty() {
        return 0.0;
    }
    let (_, median, _) = steps.select_nth_unstable_by((count - 1) / 2, f64::total_cmp);
    *median / (0.6745 * 2f64.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pushes one value each 100 ms and returns after which it was settled first.
    fn settled_at(values: impl IntoIterator<Item = f64>) -> Option<(usize, Settled)> {
        let mut window = SteadyWindow::new(1_000_000);
        for (index, value) in values.into_iter().enumerate() {
            window.push(Mono(index as i64 * 100_000), value, Some(0.01));
            if let Some(settled) = window.settled(0.0) {
                return Some((index, settled));
            }
        }
        None
    }

    #[test]
    fn a_still_reading_settles_when_the_window_is_full() {
        let (index, settled) = settled_at([12.41; 30]).unwrap();
        assert_eq!((index, settled.count), (9, 10));
        assert!((settled.value - 12.41).abs() < 1e-12 && settled.deviation < 1e-12);
    }

    #[test]
    fn a_flickering_last_digit_is_still() {
        let flicker = (0..30).map(|index| if index % 3 == 0 { 12.42 } else { 12.41 });
        let (_, settled) = settled_at(flicker).unwrap();
        assert!((settled.value - 12.413).abs() < 0.002, "{settled:?}");
        assert!(settled.repeatability() < 0.005);
    }

    #[test]
    fn a_surge_is_waited_for() {
        // A drop that falls from 1.3 V with a time constant of 0.5 s: e-fold arithmetic.
        let surge = (0..60).map(|index| 0.06 + 1.24 * (-f64::from(index) * 0.1 / 0.5).exp());
        let (index, settled) = settled_at(surge).unwrap();
        assert!(index > 25, "settled after {index} readings");
        assert!((settled.value - 0.06).abs() < 0.02, "{settled:?}");
    }

    #[test]
    fn what_moves_or_rattles_does_not_settle() {
        assert_eq!(settled_at((0..60).map(|index| 12.0 + 0.02 * f64::from(index))), None, "a ramp");
        assert_eq!(settled_at((0..60).map(|index| if index % 2 == 0 { 12.4 } else { 3.1 })), None, "a rattle");
        assert_eq!(settled_at((0..60).map(|index| 12.0 + (f64::from(index) * 0.3).sin())), None, "a swing");
    }

    /// Seen in the demo: the first reading after the lead landed was averaged in, and the volts came out low.
    #[test]
    fn the_reading_of_a_landing_lead_is_never_part_of_the_mean() {
        for first in [11.6, 12.1, 12.5] {
            // A slow handheld: four readings a second, and a purpose that can bear much noise.
            let mut window = SteadyWindow::new(1_000_000);
            let mut settled = None;
            for index in 0..12 {
                window.push(Mono(index * 250_000), if index == 0 { first } else { 12.61 }, Some(0.01));
                settled = settled.or(window.settled(0.59));
            }
            let settled = settled.unwrap();
            assert!((settled.value - 12.61).abs() < 0.005 && settled.deviation < 0.01, "{first}: {settled:?}");
        }
    }

    #[test]
    fn a_fast_board_does_not_grow_the_window() {
        let mut window = SteadyWindow::new(1_000_000);
        for index in 0..100_000 {
            window.push(Mono(index * 20), 12.4 + f64::from((index % 7) as i32) * 0.001, None);
        }
        assert!(window.bins.len() <= MOST_BINS, "{}", window.bins.len());
        let settled = window.settled(0.0).unwrap();
        assert!(settled.count > 45_000, "{settled:?}");
    }
}
