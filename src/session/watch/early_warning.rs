//! A value that comes near its limit, said while it is still kept: for levels that a step names by themselves. Once more where the
//! display is past the limit by less than the meter's accuracy: that is no excursion yet, and nobody else says it.

use crate::{
    channel::Sample,
    clock::Mono,
    protocol::Value,
    units::{Limit, show_given},
};

/// A value is well again once it has been for so long, so that one that flutters is not said again and again, µs.
const WELL_AGAIN_US: i64 = 5_000_000;

/// Follows the channel of one step.
#[derive(Debug, Clone)]
pub(super) struct EarlyWarning {
    /// Narrower than the step's limit.
    levels: Limit,
    is_warned: bool,
    is_past_said: bool,
    well_since: Option<Mono>,
}

impl EarlyWarning {
    /// Speaks where a value leaves these levels.
    pub(super) fn new(levels: Limit) -> Self {
        Self { levels, is_warned: false, is_past_said: false, well_since: None }
    }

    /// Takes a sample as it counts, and whether it is too close to its limit to call; a sentence where there is something to say.
    pub(super) fn sample(&mut self, sample: &Sample, is_undecided: bool, limit: &Limit, name: &str) -> Option<String> {
        let Value::Number(value) = sample.value else { return None };
        let low = self.levels.low.filter(|low| value < *low);
        let high = self.levels.high.filter(|high| value > *high);
        let show = |level: f64| show_given(level, self.levels.dimension);
        let Some((level, side, edge)) =
            low.map(|low| (low, "below", limit.low)).or(high.map(|high| (high, "above", limit.high)))
        else {
            if !self.is_warned || sample.at.since(*self.well_since.get_or_insert(sample.at)) < WELL_AGAIN_US {
                return None;
            }
            (self.is_warned, self.is_past_said) = (false, false);
            return Some(format!("{name} {}, no longer near its limit", sample.shown(None)));
        };
        self.well_since = None;
        let is_kept = |edge: &f64| if side == "below" { value >= *edge } else { value <= *edge };
        if let Some(edge) = edge.filter(|edge| is_undecided && !self.is_past_said && !is_kept(edge)) {
            (self.is_warned, self.is_past_said) = (true, true);
            let shown = sample.shown(None);
            return Some(format!("{name} {shown}, {side} {}, by less than the meter's accuracy", show(edge)));
        }
        if std::mem::replace(&mut self.is_warned, true) {
            return None;
        }
        // A limit that breaks at once is an excursion, and that is said there.
        let edge = edge.filter(is_kept)?;
        Some(format!("{name} {}, {side} {}: look after it before {}", sample.shown(None), show(level), show(edge)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{session::judge::tests::volts, units::Dimension};

    /// What is said of volts a tenth of a second apart.
    fn announced(values: impl IntoIterator<Item = f64>) -> Vec<String> {
        let limit = Limit { low: Some(13.0), high: Some(14.2), dimension: Dimension::Volt };
        let mut warning = EarlyWarning::new(Limit { low: Some(13.1), high: Some(14.1), ..limit });
        let samples =
            (0..).zip(values).map(|(index, value)| Sample { digit: Some(0.01), ..volts(index * 100_000, value) });
        // A meter of 0.1 V.
        let is_undecided = |sample: &Sample| matches!(sample.value, Value::Number(value) if (value - 13.0).abs() < 0.1);
        samples.filter_map(|sample| warning.sample(&sample, is_undecided(&sample), &limit, "battery")).collect()
    }

    #[test]
    fn it_is_said_once_while_the_limit_is_kept() {
        assert_eq!(
            announced([13.5, 13.1, 13.08, 13.05, 13.02]),
            ["battery 13.08 V, below 13.1 V: look after it before 13 V"]
        );
        assert_eq!(announced([13.5, 14.15]), ["battery 14.15 V, above 14.1 V: look after it before 14.2 V"]);
    }

    #[test]
    fn what_flutters_is_not_said_again_and_again() {
        let flutters = (0..200).map(|index| if index % 2 == 0 { 13.09 } else { 13.11 });
        assert_eq!(announced(flutters).len(), 1);
        let well_again = [13.09].into_iter().chain([13.4; 60]).chain([13.05]);
        assert_eq!(
            announced(well_again),
            [
                "battery 13.09 V, below 13.1 V: look after it before 13 V",
                "battery 13.40 V, no longer near its limit",
                "battery 13.05 V, below 13.1 V: look after it before 13 V"
            ]
        );
    }

    /// Seen by a technician: below its limit by less than the meter's accuracy for 20 s, and not a word.
    #[test]
    fn past_the_limit_on_the_display_is_said_once() {
        let sinking = [13.5, 13.08, 13.02, 12.97, 12.93, 12.98].into_iter().chain([13.4; 60]).chain([12.95]);
        assert_eq!(
            announced(sinking),
            [
                "battery 13.08 V, below 13.1 V: look after it before 13 V",
                "battery 12.97 V, below 13 V, by less than the meter's accuracy",
                "battery 13.40 V, no longer near its limit",
                "battery 12.95 V, below 13 V, by less than the meter's accuracy",
            ]
        );
    }

    #[test]
    fn a_limit_that_breaks_at_once_is_left_to_the_excursion() {
        assert_eq!(announced([13.5, 12.4, 13.05]), [""; 0]);
    }
}
