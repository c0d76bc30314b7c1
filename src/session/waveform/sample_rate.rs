//! How often the samples of a channel come.

use crate::clock::Mono;

/// After a longer silence the samples are no sequence, µs.
const SILENCE_US: i64 = 250_000;
/// And longer than so many mean intervals.
const SILENCE_INTERVALS: i64 = 20;
/// The arrival of bytes is known to this, s: the usual latency of a USB serial adapter, from memory.
const ARRIVAL_S: f64 = 0.016;

/// Mean interval of samples, gaps left out. Boards send several samples in one chunk: only the mean counts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SampleRate {
    last: Option<Mono>,
    intervals: u64,
    span_us: i64,
}

impl SampleRate {
    /// Takes the time of the next sample; false where it follows a gap.
    pub(super) fn push(&mut self, at: Mono) -> bool {
        let Some(last) = self.last.replace(at) else { return false };
        let since = at.since(last).max(0);
        let usual = if self.intervals > 0 { self.span_us / self.intervals as i64 } else { 0 };
        if since > SILENCE_US.max(SILENCE_INTERVALS * usual) {
            return false;
        }
        self.intervals += 1;
        self.span_us += since;
        true
    }

    /// s; none while it is not known.
    pub(super) fn interval(&self) -> Option<f64> {
        (self.intervals > 0 && self.span_us > 0).then(|| self.span_us as f64 / 1e6 / self.intervals as f64)
    }

    /// Samples a second; none while it is not known.
    pub(super) fn hertz(&self) -> Option<f64> {
        self.interval().map(|interval| 1.0 / interval)
    }

    /// Relative standard uncertainty of the interval: both ends of the time may have arrived late (rectangular, JCGM 100 4.3.7).
    pub(super) fn relative_u(&self) -> f64 {
        let span = self.span_us as f64 / 1e6;
        if span > 0.0 { ARRIVAL_S / 3f64.sqrt() / span } else { 1.0 }
    }
}
