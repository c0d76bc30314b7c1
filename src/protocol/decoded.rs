//! What decoding gives: readings, frames, gaps, identifications and problems.

use super::{Action, MeterIdentities, Problem, Reading};

/// Everything that some bytes gave. Keep it and clear it, so that its memory is used again.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoded {
    /// The readings of all frames, one frame after the other.
    pub readings: Vec<Reading>,
    /// The frames, in the order they came.
    pub frames: Vec<Frame>,
    /// Frames that are missing by their sequence numbers.
    pub gaps: Vec<Gap>,
    /// Identifications that the meter sent.
    pub identities: MeterIdentities,
    /// The first few problems of each kind, and each different error that the meter
    /// reports; all are counted.
    pub problems: Vec<Problem>,
}

impl Decoded {
    /// Empties it.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.frames.clear();
        self.gaps.clear();
        self.identities.clear();
        self.problems.clear();
    }
}

/// One report of a meter; where it carries several scans, one for each of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Readings from the end of the frame before up to here belong to it.
    pub readings_end: usize,
    /// Seconds on the device's own clock, where the frame carries it; goes on where the device's
    /// counter wraps around.
    pub device_time: Option<f64>,
    /// Seconds that this scan is older than the last one of its frame: 0 where a frame is one scan.
    pub age: f64,
    /// The frame's number, where it carries one; wraps around as the device does.
    pub sequence: Option<u64>,
    /// What the operator asked for with a button on the device.
    pub action: Option<Action>,
}

/// Frames that were lost in transmission.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The place in [`Decoded::frames`] of the one that came next.
    pub before: usize,
    /// How many.
    pub lost: u64,
}
