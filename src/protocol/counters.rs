//! Counters of a device that wrap around: the number of its frames and its time.
//!
//! Knows numbers only. A step of more than half the counter's range is taken for a device that was
//! restarted, or for a frame that came twice, never for lost frames.

use strum::{EnumMessage, VariantArray};

use crate::{units::WholeNumber, words::words};

/// The unit of a device's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(super) enum TimeUnit {
    #[strum(serialize = "s")]
    Second,
    #[strum(serialize = "ms")]
    Millisecond,
    #[strum(serialize = "us")]
    Microsecond,
}
words!(TimeUnit);

impl TimeUnit {
    /// How many of it are a second: dividing by it rounds once.
    #[inline]
    pub(super) fn per_second(self) -> f64 {
        match self {
            Self::Second => 1.0,
            Self::Millisecond => 1e3,
            Self::Microsecond => 1e6,
        }
    }
}

/// The width of a counter in bits, after which it begins again at zero. No number in a frame is wider.
pub(super) type CounterBits = WholeNumber<1, 64>;

/// Where a protocol's counters wrap around.
#[derive(Debug, Clone, Copy)]
pub(super) struct CountersRule {
    /// Seconds after which the device's time begins again; none where it never does.
    pub time_period_s: Option<f64>,
    /// Bits of the frames' numbers.
    pub sequence_bits: u32,
}

impl Default for CountersRule {
    fn default() -> Self {
        Self::new(None, None)
    }
}

impl CountersRule {
    /// Of counters whose width the file gives.
    pub(super) fn new(time: Option<(TimeUnit, CounterBits)>, sequence: Option<CounterBits>) -> Self {
        let period_s = |(unit, bits): (TimeUnit, CounterBits)| (bits.get() as f64).exp2() / unit.per_second();
        Self { time_period_s: time.map(period_s), sequence_bits: sequence.map_or(64, |bits| bits.get() as u32) }
    }

    /// Several messages share their counters: the widths given by any hold for all.
    pub(super) fn with(self, other: Self) -> Self {
        Self {
            time_period_s: self.time_period_s.or(other.time_period_s),
            sequence_bits: self.sequence_bits.min(other.sequence_bits),
        }
    }
}

/// Counts the frames that are missing by their sequence numbers.
#[derive(Debug, Default)]
pub(super) struct SequenceCounter {
    last: Option<u64>,
}

impl SequenceCounter {
    /// Frames lost before this one. `bits` is the counter's width.
    pub(super) fn lost_before(&mut self, number: u64, bits: u32) -> u64 {
        let mask = mask(bits);
        let number = number & mask;
        let Some(last) = self.last.replace(number) else { return 0 };
        let ahead = number.wrapping_sub(last) & mask;
        if ahead == 0 || ahead > mask / 2 { 0 } else { ahead - 1 }
    }

    /// The port went away: what comes next follows nothing.
    pub(super) fn reset(&mut self) {
        self.last = None;
    }
}

fn mask(bits: u32) -> u64 {
    1u64.checked_shl(bits).map_or(u64::MAX, |turn| turn - 1)
}

/// Makes a device's time go on where its counter wraps around.
#[derive(Debug, Default)]
pub(super) struct ClockUnwrapper {
    last_s: f64,
    turns: f64,
}

impl ClockUnwrapper {
    /// Seconds since the device's counter was zero for the first time. `period_s` is how long the
    /// counter takes to wrap around; none where it never does.
    #[inline]
    pub(super) fn unwrap(&mut self, time_s: f64, period_s: Option<f64>) -> f64 {
        let Some(period_s) = period_s else { return time_s };
        let back = self.last_s - time_s;
        if back > period_s / 2.0 {
            self.turns += 1.0;
        } else if back > 0.0 {
            self.turns = 0.0;
        }
        self.last_s = time_s;
        self.turns * period_s + time_s
    }

    /// The port went away: the device may begin anew.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lost(bits: u32, numbers: &[u64]) -> Vec<u64> {
        let mut sequence = SequenceCounter::default();
        numbers.iter().map(|number| sequence.lost_before(*number, bits)).collect()
    }

    #[test]
    fn missing_numbers_are_counted_across_the_wrap() {
        assert_eq!(lost(8, &[7, 8, 10, 255, 0, 2]), [0, 0, 1, 0, 0, 1]);
        assert_eq!(lost(8, &[254, 1]), [0, 2]);
        assert_eq!(lost(16, &[65_535, 0, 300]), [0, 0, 299]);
        assert_eq!(lost(4, &[14, 1]), [0, 2]);
        assert_eq!(lost(64, &[u64::MAX, 0]), [0, 0]);
    }

    #[test]
    fn a_device_that_restarts_lost_nothing() {
        assert_eq!(lost(32, &[90_000, 0, 1]), [0, 0, 0]);
        assert_eq!(lost(8, &[7, 7, 8]), [0, 0, 0]);
    }

    #[test]
    fn time_goes_on_where_its_counter_wraps() {
        // 32 bits of microseconds wrap after 4294.967296 s.
        let period = Some(4_294.967_296);
        let mut clock = ClockUnwrapper::default();
        let times = [4_294.0, 0.5, 4_000.0, 1.0].map(|time| clock.unwrap(time, period));
        for (time, expected) in times.into_iter().zip([4_294.0, 4_295.467_296, 8_294.967_296, 8_590.934_592]) {
            assert!((time - expected).abs() < 1e-9, "{time}");
        }
        // Backwards by less than half: switched off and on.
        assert_eq!(clock.unwrap(0.5, period), 0.5);
        assert_eq!(clock.unwrap(3.0, None), 3.0);
    }
}
