//! What a steady signal carries on top: RMS and peak-to-peak about the trend, window by window.

use crate::electrics::median;

/// A window has so many samples at most, and lasts so long, µs.
const MOST_SAMPLES: usize = 4096;
const WINDOW_US: i64 = 1_000_000;
/// Fewer samples are no window.
const LEAST_SAMPLES: usize = 32;
/// So many windows are kept; of more only every second, every fourth and so on.
const WINDOWS: usize = 512;

/// Ripple of one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ripple {
    /// Median over the windows of the standard deviation about the straight line.
    pub(super) rms: f64,
    /// Median over the windows of the greatest distance from least to greatest about the straight line: an event within one
    /// window is an excursion, not ripple.
    pub(super) peak_to_peak: f64,
}

/// Measures it.
#[derive(Debug, Clone)]
pub(super) struct RippleMeter {
    window: Vec<(i64, f64)>,
    rms: Vec<f64>,
    peak_to_peak: Vec<f64>,
    stride: u32,
    skipped: u32,
}

impl RippleMeter {
    pub(super) fn new() -> Self {
        Self {
            window: Vec::with_capacity(MOST_SAMPLES),
            rms: Vec::with_capacity(WINDOWS),
            peak_to_peak: Vec::with_capacity(WINDOWS),
            stride: 1,
            skipped: 0,
        }
    }

    /// Takes one more value; `follows` says whether it comes right after the last one.
    pub(super) fn push(&mut self, at_us: i64, value: f64, follows: bool) {
        if !follows {
            self.window.clear();
        }
        self.window.push((at_us, value));
        let lasted = at_us - self.window[0].0;
        if self.window.len() >= MOST_SAMPLES || lasted >= WINDOW_US {
            self.close();
        }
    }

    fn close(&mut self) {
        self.skipped += 1;
        if self.skipped >= self.stride {
            self.skipped = 0;
            if let Some(ripple) = about_trend(&self.window) {
                if self.rms.len() == WINDOWS {
                    halve(&mut self.rms);
                    halve(&mut self.peak_to_peak);
                    self.stride *= 2;
                }
                self.rms.push(ripple.rms);
                self.peak_to_peak.push(ripple.peak_to_peak);
            }
        }
        self.window.clear();
    }

    /// None before the first window is full.
    pub(super) fn ripple(&self) -> Option<Ripple> {
        Some(Ripple { rms: median(&self.rms)?, peak_to_peak: median(&self.peak_to_peak)? })
    }
}

fn halve(kept: &mut Vec<f64>) {
    let mut index = 0;
    kept.retain(|_| {
        index += 1;
        index % 2 == 1
    });
}

/// About the straight line by least squares over the samples in their order: those of a chunk arrive together.
fn about_trend(window: &[(i64, f64)]) -> Option<Ripple> {
    if window.len() < LEAST_SAMPLES {
        return None;
    }
    let n = window.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let first = window[0].1;
    let mean = window.iter().map(|(_, value)| value - first).sum::<f64>() / n;
    let squares = (n * n - 1.0) * n / 12.0;
    let slope =
        window.iter().zip(0_u32..).map(|((_, value), k)| (f64::from(k) - middle) * (value - first - mean)).sum::<f64>()
            / squares;
    let (mut sum, mut least, mut greatest) = (0.0, f64::INFINITY, f64::NEG_INFINITY);
    for ((_, value), k) in window.iter().zip(0_u32..) {
        let rest = value - first - mean - slope * (f64::from(k) - middle);
        sum += rest * rest;
        least = f64::min(least, rest);
        greatest = f64::max(greatest, rest);
    }
    Some(Ripple { rms: (sum / n).sqrt(), peak_to_peak: greatest - least })
}
