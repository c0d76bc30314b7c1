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

/// A reading whose noise is more than this share of itself is a bad contact: common practice, no source.
const ROUGH: f64 = 0.01;

/// Six standard deviations hold nearly all of a window's readings where only noise moves them.
const SPREAD: f64 = 6.0;

/// A trend of more than so many standard errors is one.
const TREND: f64 = 3.0;

/// The last reading of a slow approach may be off by this share of itself: common practice, no source.
const SHARE: f64 = 0.003;

/// A value that does not slow down is taken to move on for so many windows.
const MOST_WINDOWS: f64 = 20.0;

/// Without the reading of the lead that landed, the others must span at least this share of the window.
const LEAST_SPAN: f64 = 0.9;

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

    /// Standard uncertainty of the value from its readings. Flicker of the last digit averages out: s / √n. More than that
    /// is the circuit's own and slower than the readings, which are not independent then: it counts in full, s (JCGM
    /// 100:2008, 4.2.2 and 4.2.7, clause numbers from memory).
    pub fn uncertainty(&self, digit: Option<f64>) -> f64 {
        if self.deviation <= digit.unwrap_or(0.0) { self.repeatability() } else { self.deviation }
    }
}

/// Why a reading is not steady.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Unsteady {
    /// The meter reports every so many seconds: too seldom to prove anything within the window.
    TooSlow(f64),
    /// It moves by so much a second, base units.
    Moves(f64),
    /// It wavers, or the window is not full yet.
    Wavers,
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
    /// Whether the first bin is still the one in which the leads landed.
    has_landing: bool,
    /// The means of the windows before, the newest first, and when the newest ended.
    before: [Option<f64>; 3],
    mark: Option<Mono>,
    /// Whether the value still approached its end then.
    approaching: bool,
    /// From one reading to the next, µs.
    period: i64,
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
        Self {
            length,
            bin: length / BINS,
            bins: VecDeque::new(),
            digit: 0.0,
            has_landing: true,
            before: [None; 3],
            mark: None,
            approaching: false,
            period: 0,
        }
    }

    /// Forgets all samples.
    pub(crate) fn clear(&mut self) {
        self.bins.clear();
        self.has_landing = true;
        self.before = [None; 3];
        self.mark = None;
        self.approaching = false;
    }

    /// One more sample.
    pub(crate) fn push(&mut self, at: Mono, value: f64, digit: Option<f64>) {
        self.digit = digit.unwrap_or(0.0);
        if let Some(bin) = self.bins.back() {
            self.period = at.since(bin.last);
            if self.period > self.length {
                // Nothing is known of the time in between.
                (self.before, self.mark, self.approaching) = ([None; 3], None, false);
            }
        }
        let mark = *self.mark.get_or_insert(at);
        if at.since(mark) >= self.length {
            let [newer, older, _] = self.before;
            self.before = [self.mean().map(|mean| mean.value), newer, older];
            self.mark = Some(at);
            self.approaching = self.is_approaching();
        }
        match self.bins.back_mut() {
            Some(bin) if at.since(bin.first) < self.bin => bin.add(at, value),
            _ => self.bins.push_back(Bin::new(at, value)),
        }
        // The oldest bin that still spans the length stays: without it the window would never be full.
        while self.bins.get(1).is_some_and(|second| at.since(second.first) >= self.length) {
            self.bins.pop_front();
            self.has_landing = false;
        }
    }

    /// The mean, when the reading has been steady for the whole length.
    ///
    /// Steady means: the window is full, the readings and their trend do not show against their own noise and the last digit,
    /// the noise itself is no bad contact, and a value that still approaches its end is near it. The reading in which the
    /// lead landed may be left out. `coarse` is the noise that the purpose tolerates, base units.
    pub(crate) fn settled(&self, coarse: f64) -> Option<Settled> {
        let (first, last) = (self.bins.front()?, self.bins.back()?);
        if last.last.since(first.first) < self.length * 9 / 10 {
            return None;
        }
        self.steady_from(0, coarse).or_else(|| self.has_landing.then(|| self.steady_from(1, coarse))?)
    }

    /// The same of the bins from this one on.
    fn steady_from(&self, skip: usize, coarse: f64) -> Option<Settled> {
        let (first, last) = (self.bins.get(skip)?, self.bins.back()?);
        let count = self.bins.len() - skip;
        if count < LEAST || (last.last.since(first.first) as f64) < self.length as f64 * LEAST_SPAN {
            return None;
        }
        let settled = self.mean_from(skip)?;
        let size = settled.value.abs();
        // On the stack: this runs on every sample until a value is captured.
        let mut points = [(0.0, 0.0); MOST_BINS];
        let points = points.get_mut(..count)?;
        for (point, bin) in points.iter_mut().zip(self.bins.range(skip..)) {
            *point = (bin.first.since(first.first) as f64 / 1e6, bin.mean());
        }
        let noise = noise(points);
        let (least, most) = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), (_, value)| {
            (least.min(*value), most.max(*value))
        });
        // A digit that turns once is still, whenever it turns; the margin is for sums of decimal fractions.
        let is_one_digit = most - least <= 1.01 * self.digit;
        let is_rough = noise > (1.5 * self.digit).max(ROUGH * size).max(coarse);
        if is_rough || most - least > (DIGITS * 1.01 * self.digit).max(SPREAD * noise) {
            return None;
        }
        let trend = Trend::of(points)?;
        let drift = trend.over(self.length as f64 / 1e6);
        let is_moving = !is_one_digit && drift.value.abs() > self.digit.max(TREND * drift.u);
        (!is_moving && !self.approaching).then_some(settled)
    }

    /// The noise from one bin to the next, which a trend hardly shows in.
    fn own_noise(&self) -> f64 {
        let mut points = [(0.0, 0.0); MOST_BINS];
        let points = &mut points[..self.bins.len().min(MOST_BINS)];
        for (point, bin) in points.iter_mut().zip(&self.bins) {
            point.1 = bin.mean();
        }
        noise(points)
    }

    /// Whether the value moves on by more than it may be off, judged from how it slowed down over the last three windows.
    fn is_approaching(&self) -> bool {
        let [Some(newest), Some(newer), older] = self.before else { return false };
        let step = (newest - newer).abs();
        // A mean of readings that are rounded to a digit is uncertain by less than half of it; two noisy means differ by
        // √2 of their standard uncertainty.
        let noise = self.own_noise() / (self.bins.len().max(1) as f64).sqrt();
        let rounding = (0.5 * self.digit).max(TREND * 2f64.sqrt() * noise);
        if step <= rounding {
            return false;
        }
        let before = older.map_or(0.0, |older| (newer - older).abs());
        // At its slowest, and where it does not slow down, it goes on for long.
        let slowed = (step + rounding) / (before - rounding);
        // An exponential has the sum of a geometric series still to come.
        let windows =
            if slowed > 0.0 && slowed < 1.0 { (slowed / (1.0 - slowed)).min(MOST_WINDOWS) } else { MOST_WINDOWS };
        step * windows > (DIGITS * self.digit).max(SHARE * newest.abs())
    }

    /// Why the reading is not steady, where [`Self::settled`] says so.
    pub(crate) fn why_unsteady(&self) -> Unsteady {
        if self.period >= self.length {
            return Unsteady::TooSlow(self.period as f64 / 1e6);
        }
        let Some(first) = self.bins.front() else { return Unsteady::Wavers };
        let points: Vec<(f64, f64)> =
            self.bins.iter().map(|bin| (bin.first.since(first.first) as f64 / 1e6, bin.mean())).collect();
        match Trend::of(&points) {
            Some(trend) if trend.slope.value.abs() > TREND * trend.slope.u => Unsteady::Moves(trend.slope.value),
            _ => Unsteady::Wavers,
        }
    }

    /// The mean of what the window holds, steady or not.
    pub(crate) fn mean(&self) -> Option<Settled> {
        self.mean_from(0)
    }

    fn mean_from(&self, skip: usize) -> Option<Settled> {
        let last = self.bins.back()?;
        let bins = || self.bins.range(skip..);
        let count: u64 = bins().map(|bin| bin.count).sum();
        let origin = self.bins.get(skip)?.origin;
        let sum: f64 = bins().map(|bin| bin.sum + bin.count as f64 * (bin.origin - origin)).sum();
        let value = origin + sum / count as f64;
        let squares: f64 = bins().map(|bin| bin.squares_about(value)).sum();
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

    /// The value and the seconds after the beginning when a reading of this course settles first; `period_ms` as the meter
    /// has it, with a last digit of 0.01.
    fn course(period_ms: i64, course: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
        let mut window = SteadyWindow::new(1_000_000);
        (0..120_000 / period_ms).find_map(|index| {
            let seconds = (index * period_ms) as f64 / 1e3;
            window.push(Mono(index * period_ms * 1000), (course(seconds) * 100.0).round() / 100.0, Some(0.01));
            window.settled(0.0).map(|settled| (settled.value, seconds))
        })
    }

    #[test]
    fn a_slow_approach_is_not_steady() {
        // Exponentials with a time constant of 10 s: e-fold arithmetic. When it settles, it is near its end.
        for (from, period) in [(0.0, 100), (0.0, 250), (6.0, 100), (11.0, 250), (11.5, 50)] {
            let (value, seconds) = course(period, |t| 12.6 + (from - 12.6) * (-t / 10.0).exp()).unwrap();
            assert!((value - 12.6).abs() <= 0.075, "from {from}, every {period} ms: {value} after {seconds} s");
        }
    }

    #[test]
    fn a_slow_swing_is_not_steady() {
        // Where it turns, a swing is still for a moment: within two digits of its end then.
        for (swing, seconds) in [(0.5, 8.0), (0.5, 12.0), (2.0, 20.0)] {
            let course = course(100, |t| 12.0 + swing * (t * std::f64::consts::TAU / seconds).sin());
            assert!(course.is_none_or(|(value, _)| (value - 12.0).abs() > swing - 0.03), "{swing}: {course:?}");
        }
    }

    /// A handheld shows a value in between as the lead lands, then the value.
    #[test]
    fn a_good_terminal_is_captured_within_a_second_and_a_half() {
        // From ten readings a second to three, on average over the time at which the lead lands between two readings.
        for period in [100, 250, 333] {
            let (mut sum, mut count) = (0.0, 0.0);
            for landed in (0..period).step_by(10) {
                let mut window = SteadyWindow::new(1_000_000);
                let settled = (0..40).find_map(|index| {
                    let value = if index == 0 { 12.61 * landed as f64 / period as f64 } else { 12.61 };
                    let at = (period - landed) + index * period;
                    window.push(Mono(at * 1000), value.max(0.5), Some(0.01));
                    window.settled(0.0).map(|settled| (settled, at))
                });
                let (settled, at) = settled.unwrap();
                assert!((settled.value - 12.61).abs() < 1e-9, "{settled:?}");
                sum += at as f64 / 1e3;
                count += 1.0;
            }
            assert!(sum / count <= 1.51, "every {period} ms: {} s", sum / count);
        }
    }

    #[test]
    fn scatter_that_is_captured_counts_in_full() {
        let settled = |deviation| Settled { value: 1.0, deviation, count: 16, at: Mono(0) };
        // JCGM 100:2008, 4.2.3: flicker of the last digit averages out.
        assert!((settled(0.004).uncertainty(Some(0.01)) - 0.001).abs() < 1e-12);
        assert!((settled(0.04).uncertainty(Some(0.01)) - 0.04).abs() < 1e-12);
    }

    #[test]
    fn why_a_reading_is_not_steady_is_told() {
        let mut slow = SteadyWindow::new(1_000_000);
        let mut moving = SteadyWindow::new(1_000_000);
        for index in 0..10 {
            slow.push(Mono(index * 1_200_000), 12.6, Some(0.01));
            moving.push(Mono(index * 100_000), 12.0 + 0.02 * index as f64, Some(0.01));
        }
        assert_eq!((slow.settled(0.0), slow.why_unsteady()), (None, Unsteady::TooSlow(1.2)));
        let Unsteady::Moves(rate) = moving.why_unsteady() else { panic!("{:?}", moving.why_unsteady()) };
        assert!((rate - 0.2).abs() < 1e-9);
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
