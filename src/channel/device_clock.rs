//! Device time on the host's time line, so that the jitter of USB does not move samples.
//!
//! Pure: it is given the times of arrival and reads no clock. The fit is in [`envelope`].

mod envelope;

#[cfg(test)]
mod tests;

use envelope::{ArrivalPoint, DriftLine, DriftPrior, Envelope};

use crate::clock::Mono;

/// The line is fitted to the last one to two of these, s: long against the beat of a report rate
/// with a bus that is polled every 16 ms, short against the warming up of an oscillator.
const WINDOW: f64 = 120.0;

/// A frame before or after its time by more than this, s, comes from a clock that was set.
const JUMP: f64 = 0.5;

/// Frames that are all later than this, s, or than `LATE_JITTERS` times the jitter...
const LATE: f64 = 0.05;
const LATE_JITTERS: f64 = 8.0;

/// ...for so long, s, come from a clock that was set: a queue empties itself.
const LATE_FOR: f64 = 3.0;

/// Longest delay in a queue, s. A frame that is later is not placed by the line.
const LONGEST_QUEUE: f64 = 10.0;

/// Clocks that begin again: counters of 16 and 32 bits in ms or µs, and the time of the day, s.
const WRAPS: [f64; 4] = [65.536, 4_294.967_296, 4_294_967.296, 86_400.0];

/// How near to its time a frame must come for the clock to have begun again, s.
const WRAP_FIT: f64 = 0.25;

/// Drift of a device that has not been seen yet, ppm: from crystals (some 50) to resonators of cheap boards (5000).
const UNKNOWN_DEVICE: DriftPrior = DriftPrior { slope: 0.0, spread: 2000.0 };

/// How far the drift may have moved when a device comes back, ppm; it may also be another device.
const RETURN_SPREAD: f64 = 500.0;

/// After so long, s, the drift of a device is known.
const KNOWN_AFTER: f64 = 30.0;

/// How well device time fits host time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockFit {
    /// How much the device's clock gains, parts in a million; negative where it is slow.
    pub drift_ppm: f64,
    /// How much later than the fastest frames arrive on average, s: what the fit takes out.
    pub jitter: f64,
    /// Seconds of device time that the fit rests on.
    pub span: f64,
    /// Chunks taken in since the device's clock restarted.
    pub frames: u64,
    /// How often the device's clock restarted or was set.
    pub resets: u64,
    /// Time stamps that did not fit and were ignored.
    pub ignored: u64,
}

/// Aligns the clock of one device with the host's.
///
/// The fit places a frame where it would have arrived had nothing delayed it beyond the fastest
/// frames; what even those need can't be seen from one side. A time is never later than the arrival.
/// It settles within half a minute: until then the line may move by as much as the delays differ.
///
/// Each chunk costs a constant time on average, and memory is bounded.
#[derive(Debug, Clone, Default)]
pub(crate) struct DeviceClock {
    track: Option<ClockTrack>,
    /// The port was away: the device may have begun anew.
    restart: Restart,
    /// A stamp that does not fit, until the next one shows whether the clock was set.
    stray: Option<(f64, Mono)>,
    /// Since when all frames were late.
    late_since: Option<Mono>,
    resets: u64,
    ignored: u64,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
enum Restart {
    #[default]
    Unlikely,
    /// The port was away.
    Possible,
}

/// A clock that runs on.
#[derive(Debug, Clone)]
struct ClockTrack {
    /// Where both times count from.
    device: f64,
    host: Mono,
    /// Added to stamps of a clock that began again at 0, s.
    wrapped: f64,
    prior: DriftPrior,
    line: DriftLine,
    old: Envelope,
    /// Takes over when the old one is two windows long.
    young: Envelope,
    last: f64,
    frames: u64,
}

impl DeviceClock {
    /// The port went away; the device may be another, or have begun anew, when it is back.
    pub(crate) fn lost(&mut self) {
        self.restart = Restart::Possible;
        self.late_since = None;
    }

    /// Takes in the newest stamp of what arrived at once, s on the device's clock. Earlier ones
    /// waited for the newest and add no information.
    pub(crate) fn observe(&mut self, stamp: f64, arrived: Mono) {
        if !stamp.is_finite() {
            self.ignored += 1;
            return;
        }
        let Some(track) = &mut self.track else { return self.begin(stamp, arrived) };
        track.unwrap(stamp, arrived);
        let point = track.point(stamp, arrived);
        let late = (point.y - track.line.at(point.x)) / 1e6;
        let restart = std::mem::take(&mut self.restart);
        if late < -JUMP || point.x < track.last - JUMP {
            match restart {
                Restart::Possible => self.begin(stamp, arrived),
                Restart::Unlikely => self.stray(stamp, arrived),
            }
            return;
        }
        self.ignored += u64::from(self.stray.take().is_some());
        if late <= (LATE_JITTERS * track.jitter() / 1e6).clamp(LATE, JUMP) {
            self.late_since = None;
            track.push(point);
        } else {
            // Not pushed: it is above the line anyway, and would make the jitter too large.
            track.frames += 1;
            let since = *self.late_since.get_or_insert(arrived);
            let all_late = arrived.since(since) as f64 / 1e6 >= LATE_FOR;
            if all_late || (restart == Restart::Possible && late > JUMP) {
                self.begin(stamp, arrived);
            }
        }
    }

    /// When a frame with this stamp was measured, given that it has arrived.
    pub(crate) fn measured(&self, stamp: f64, arrived: Mono) -> Mono {
        let Some(track) = &self.track else { return arrived };
        let point = track.point(stamp, arrived);
        if self.stray.is_some() && point.x < track.last - JUMP {
            return arrived;
        }
        let late = point.y - track.line.at(point.x);
        if (0.0..=LONGEST_QUEUE * 1e6).contains(&late) { Mono(arrived.0 - late as i64) } else { arrived }
    }

    /// How well it fits; none before the first stamp.
    pub(crate) fn fit(&self) -> Option<ClockFit> {
        let track = self.track.as_ref()?;
        Some(ClockFit {
            // The slope is what the host gains; seen from the host it is the other way round.
            drift_ppm: -track.line.slope / (1.0 + track.line.slope / 1e6),
            jitter: track.jitter().max(0.0) / 1e6,
            span: track.old.span(),
            frames: track.frames,
            resets: self.resets,
            ignored: self.ignored,
        })
    }

    /// Begins anew, with what is known of the device's drift.
    fn begin(&mut self, stamp: f64, arrived: Mono) {
        let prior = match &self.track {
            Some(track) if track.old.span() >= KNOWN_AFTER => {
                DriftPrior { slope: track.line.slope, spread: RETURN_SPREAD }
            }
            Some(track) => track.prior,
            None => UNKNOWN_DEVICE,
        };
        self.resets += u64::from(self.track.is_some());
        self.track = Some(ClockTrack::begin(stamp, arrived, prior));
        (self.stray, self.late_since, self.restart) = (None, None, Restart::Unlikely);
    }

    /// A single stamp that does not fit may be damaged; two that fit each other mean that the clock was set.
    fn stray(&mut self, stamp: f64, arrived: Mono) {
        let Some((before, came)) = self.stray.replace((stamp, arrived)) else { return };
        let passed = stamp - before;
        if passed >= 0.0 && (arrived.since(came) as f64 / 1e6 - passed).abs() <= JUMP {
            self.begin(before, came);
            self.observe(stamp, arrived);
        } else {
            self.ignored += 1;
        }
    }
}

impl ClockTrack {
    fn begin(stamp: f64, arrived: Mono, prior: DriftPrior) -> Self {
        let origin = ArrivalPoint { x: 0.0, y: 0.0 };
        let mut old = Envelope::default();
        old.push(origin);
        let line = DriftLine { through: origin, slope: prior.slope };
        let (wrapped, young) = (0.0, Envelope::default());
        Self { device: stamp, host: arrived, wrapped, prior, line, old, young, last: 0.0, frames: 1 }
    }

    fn point(&self, stamp: f64, arrived: Mono) -> ArrivalPoint {
        let x = stamp + self.wrapped - self.device;
        ArrivalPoint { x, y: arrived.since(self.host) as f64 - x * 1e6 }
    }

    /// Where a clock has begun again at 0, goes on counting.
    fn unwrap(&mut self, stamp: f64, arrived: Mono) {
        if self.point(stamp, arrived).x >= self.last - JUMP {
            return;
        }
        for period in WRAPS {
            let point = self.point(stamp + period, arrived);
            let late = (point.y - self.line.at(point.x)) / 1e6;
            if late.abs() <= WRAP_FIT && point.x >= self.last {
                self.wrapped += period;
                return;
            }
        }
    }

    fn push(&mut self, point: ArrivalPoint) {
        self.frames += 1;
        // The same stamp again, or a step back too small to be a new beginning.
        if point.x <= self.last {
            return;
        }
        self.last = point.x;
        self.old.push(point);
        if !self.young.is_empty() || self.old.span() >= WINDOW {
            self.young.push(point);
        }
        if self.old.span() >= 2.0 * WINDOW {
            self.old = std::mem::take(&mut self.young);
            self.young.push(point);
        }
        self.line = self.old.line(self.prior).unwrap_or(self.line);
    }

    /// Mean height over the line, µs.
    fn jitter(&self) -> f64 {
        self.old.height_over(self.line)
    }
}
