//! What the shape of a channel's signal was in one step: a fact that is stored, and that findings may read.

use strum::{EnumMessage, VariantArray};

use crate::{channel::ChannelId, units::Quantity, words::words};

/// How a signal went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum SignalShape {
    /// It stayed at its level, and samples came fast enough to see it switch.
    #[strum(serialize = "steady")]
    Steady,
    /// It went from one level to the other and back at a steady rate.
    #[strum(serialize = "switched")]
    Switched,
    /// It changed without a steady rate.
    #[strum(serialize = "changing")]
    Changing,
    /// It seemed steady, but samples came too slowly to see it switch.
    #[strum(serialize = "not known")]
    Unknown,
}

words!(pub SignalShape);

/// What was seen of one channel in one step. A figure that the samples are too slow for is missing.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveformSummary {
    /// Where.
    pub channel: ChannelId,
    /// Its name.
    pub name: String,
    /// What it measures.
    pub quantity: Quantity,
    /// How it went.
    pub shape: SignalShape,
    /// Samples a second.
    pub rate_hz: f64,
    /// How many there were.
    pub samples: u64,
    /// Their least, greatest and mean, in the unit of the quantity.
    pub least: f64,
    /// The greatest.
    pub greatest: f64,
    /// The mean.
    pub mean: f64,
    /// The square root of the mean square.
    pub rms: Option<f64>,
    /// The mean of what is near the low level.
    pub low_level: Option<f64>,
    /// The mean of what is near the high level.
    pub high_level: Option<f64>,
    /// How often it repeats, Hz, with its standard uncertainty.
    pub frequency: Option<(f64, f64)>,
    /// The share of the time at the high level in %, with its standard uncertainty.
    pub duty: Option<(f64, f64)>,
    /// About the trend, RMS.
    pub ripple_rms: Option<f64>,
    /// About the trend, peak-to-peak.
    pub ripple_pp: Option<f64>,
    /// How often it was switched on; none where that was not looked at.
    pub switch_ons: Option<u64>,
    /// The greatest after it was switched on.
    pub peak: Option<f64>,
    /// What it settled at then.
    pub hold: Option<f64>,
    /// The time constant of its rise, s, with its standard uncertainty.
    pub time_constant: Option<(f64, f64)>,
}
