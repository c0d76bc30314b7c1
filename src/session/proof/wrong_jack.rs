//! The red lead in the amps jack: on battery plus it is a dead short. A touch that shows nothing but pulls the battery
//! down, or sends amps through a clamp, is one.

use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    protocol::Value,
    units::Dimension,
};

/// A short through a meter's fuse pulls the battery down by at least this, V: common practice, no source.
const SAG_V: f64 = 0.2;

/// And sends at least this through a clamp on the battery's lead, A: common practice, no source.
const JUMP_A: f64 = 5.0;

/// What was there before is a mean over about this time, µs.
const BEFORE_US: f64 = 2e6;

/// A sag or a jump counts for this long, µs: the meter's own reading may come later.
const COUNTS_US: i64 = 1_000_000;

/// Watches the other channels for a short.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct ShortWatch {
    before: Vec<(ChannelId, f64, Mono)>,
    seen: Option<Mono>,
}

impl ShortWatch {
    /// A reading of the battery channel or of a clamp.
    pub(super) fn other(&mut self, sample: &Sample, battery: Option<ChannelId>) {
        let Value::Number(value) = sample.value else { return };
        let is_battery = Some(sample.channel) == battery;
        if !is_battery && sample.quantity.dimension() != Dimension::Ampere {
            return;
        }
        let Some((_, before, at)) = self.before.iter_mut().find(|(channel, ..)| *channel == sample.channel) else {
            self.before.push((sample.channel, value, sample.at));
            return;
        };
        let is_short = if is_battery { *before - value >= SAG_V } else { (value - *before).abs() >= JUMP_A };
        if is_short {
            self.seen = Some(sample.at);
        }
        let share = (sample.at.since(*at) as f64 / BEFORE_US).clamp(0.0, 1.0);
        *before += (value - *before) * share;
        *at = sample.at;
    }

    /// Whether a short was seen just now; true once for each.
    pub(super) fn take(&mut self, now: Mono) -> bool {
        self.seen.take().is_some_and(|seen| now.since(seen) <= COUNTS_US)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::tests::{amps, volts};

    #[test]
    fn a_sag_or_a_jump_is_a_short_and_a_slow_change_is_none() {
        let battery = Some(ChannelId(0));
        let mut watch = ShortWatch::default();
        for index in 0..100 {
            watch.other(&volts(index * 50_000, 12.6 - 0.001 * index as f64), battery);
            watch.other(&amps(index * 50_000, 0.1 * index as f64), battery);
        }
        assert!(!watch.take(Mono(5_000_000)));
        watch.other(&volts(5_050_000, 12.2), battery);
        assert!(watch.take(Mono(5_100_000)));
        assert!(!watch.take(Mono(5_150_000)));
        watch.other(&amps(5_200_000, 18.0), battery);
        assert!(watch.take(Mono(5_250_000)));
    }
}
