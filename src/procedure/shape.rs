//! What of a signal's shape a step is judged on, instead of its values: `shape` of a step.

use strum::{EnumMessage, VariantArray};

use super::{CaptureMode, file::StepTable};
use crate::{
    mistake::{Mistake, Source},
    units::{Dimension, Limit, Quantity},
    words::words,
};

/// So many samples a period are needed before a figure of a signal that repeats is given: common practice, no source. A figure
/// of fewer could be of another frequency that the samples fold down (aliasing).
const SAMPLES_A_PERIOD: f64 = 10.0;
/// So many samples a time constant.
const SAMPLES_A_TIME_CONSTANT: f64 = 5.0;

/// A figure of a signal's shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, VariantArray, EnumMessage)]
pub enum ShapeFigure {
    /// The share of the time at the high level.
    #[strum(serialize = "duty")]
    Duty,
    /// The share of the time at the low level: that of a driver on the low side, seen at its pin.
    #[strum(serialize = "duty low")]
    DutyLow,
    /// How often it repeats.
    #[strum(serialize = "frequency")]
    Frequency,
    /// The mean.
    #[strum(serialize = "mean")]
    Mean,
    /// The square root of the mean square.
    #[strum(serialize = "RMS")]
    Rms,
    /// The greatest value after it was switched on, before it settled: a surge, or the peak of peak and hold.
    #[strum(serialize = "peak", serialize = "surge")]
    Peak,
    /// What it settles at after it was switched on.
    #[strum(serialize = "hold", serialize = "settled")]
    Hold,
    /// From the least to the greatest about the trend.
    #[strum(serialize = "ripple")]
    Ripple,
    /// The standard deviation about the trend.
    #[strum(serialize = "ripple RMS")]
    RippleRms,
    /// How fast the current rises when it is switched on.
    #[strum(serialize = "time constant")]
    TimeConstant,
}

words!(pub ShapeFigure);

impl ShapeFigure {
    /// What it is measured in, of a signal of this quantity.
    pub(crate) fn quantity(self, of: Quantity) -> Quantity {
        match self {
            Self::Duty | Self::DutyLow => Quantity::Duty,
            Self::Frequency => Quantity::Frequency,
            Self::TimeConstant => Quantity::Time,
            _ => of,
        }
    }

    /// Whether samples that are too slow could make it up.
    pub(crate) fn needs_highest_frequency(self) -> bool {
        !matches!(self, Self::TimeConstant)
    }
}

/// What of a shape a step is judged on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShapeRule {
    /// Which figure.
    pub figure: ShapeFigure,
    /// The highest frequency at which the signal may repeat, Hz; none for a time constant.
    pub highest_frequency: Option<f64>,
    /// The shortest time constant that is in limit, s; none for other figures.
    pub shortest: Option<f64>,
}

impl ShapeRule {
    /// The samples a second that the figure needs; none where nothing says it.
    pub(crate) fn needed_rate(&self) -> Option<f64> {
        match self.figure {
            ShapeFigure::TimeConstant => self.shortest.map(|shortest| SAMPLES_A_TIME_CONSTANT / shortest),
            _ => self.highest_frequency.map(|highest| SAMPLES_A_PERIOD * highest),
        }
    }
}

/// What a value may carry on top while it is watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RippleRule {
    /// From least to greatest about the trend.
    pub at_most: Limit,
    /// The highest frequency that it may have, Hz.
    pub highest_frequency: f64,
}

impl RippleRule {
    /// The samples a second that it needs.
    pub(crate) fn needed_rate(&self) -> f64 {
        SAMPLES_A_PERIOD * self.highest_frequency
    }
}

/// Reads the key of a step that watches.
pub(super) fn ripple(source: Source, table: &StepTable) -> Result<Option<RippleRule>, Mistake> {
    let Some(key) = &table.ripple_at_most else { return Ok(None) };
    let at_most = Limit::at_most(*key.get_ref());
    let is_of_step = table.quantity.is_some_and(|quantity| quantity.dimension() == at_most.dimension);
    let highest = table.highest_frequency.as_ref().map(|frequency| *frequency.get_ref());
    let highest = highest.filter(|highest| highest.dimension == Dimension::Hertz && highest.value > 0.0);
    let is_watch = table.capture == CaptureMode::Worst && table.shape.is_none();
    match highest {
        Some(highest) if is_of_step && is_watch && table.channel.is_some() => {
            Ok(Some(RippleRule { at_most, highest_frequency: highest.value }))
        }
        _ => {
            let message = "found ripple_at_most, expected it in a step with capture = \"worst\", in the unit of its quantity, and \
                           highest_frequency beside it, such as \"2 kHz\": the fastest that the ripple may be";
            Err(source.mistake(key.span(), message))
        }
    }
}

/// The samples a second that a time constant needs, s.
pub(crate) fn rate_for_time_constant(seconds: f64) -> f64 {
    SAMPLES_A_TIME_CONSTANT / seconds
}

/// Reads the keys of a step; its limit is in the figure's unit.
pub(super) fn shape(source: Source, table: &StepTable, low: Option<f64>) -> Result<Option<ShapeRule>, Mistake> {
    let Some(key) = &table.shape else {
        return match &table.highest_frequency {
            Some(frequency) if table.ripple_at_most.is_none() => {
                Err(source
                    .mistake(frequency.span(), "found highest_frequency, expected it beside shape or ripple_at_most"))
            }
            _ => Ok(None),
        };
    };
    let figure = *key.get_ref();
    if !matches!(table.quantity, Some(Quantity::VoltsDc | Quantity::AmpsDc)) || table.channel.is_none() {
        let message = format!(
            "found the shape \"{}\", expected a channel and quantity = \"V DC\" or \"A DC\" beside it",
            figure.word()
        );
        return Err(source.mistake(key.span(), message));
    }
    if table.role.is_some() && figure != ShapeFigure::Mean {
        let message = format!("found a role beside the shape \"{}\", expected it beside \"mean\" only", figure.word());
        return Err(source.mistake(key.span(), message));
    }
    let highest_frequency = match &table.highest_frequency {
        None if figure.needs_highest_frequency() => {
            let message = format!(
                "found the shape \"{}\", expected highest_frequency beside it, such as \"400 Hz\": the fastest that the signal may \
                 repeat, since samples that are too slow for it show another shape",
                figure.word()
            );
            return Err(source.mistake(key.span(), message));
        }
        None => None,
        Some(frequency) => {
            let measure = frequency.get_ref();
            if measure.dimension != Dimension::Hertz || measure.value <= 0.0 {
                let message = "expected a frequency above zero, such as \"400 Hz\"";
                return Err(source.mistake(frequency.span(), message));
            }
            Some(measure.value)
        }
    };
    let shortest = low.filter(|low| figure == ShapeFigure::TimeConstant && *low > 0.0);
    Ok(Some(ShapeRule { figure, highest_frequency, shortest }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{procedure::Procedure, words::check_every_word};

    #[test]
    fn words_are_read_back() {
        check_every_word::<ShapeFigure>();
    }

    fn step(keys: &str) -> Result<Procedure, Mistake> {
        Procedure::parse("p.toml", &format!("title = \"t\"\n[[step]]\nname = \"s\"\nchannel = \"pin\"\n{keys}"))
    }

    #[test]
    fn the_rate_that_a_figure_needs() {
        let rule = |keys| step(keys).unwrap().steps[0].shape.unwrap();
        let duty =
            rule("quantity = \"V DC\"\nshape = \"duty\"\nhighest_frequency = \"400 Hz\"\nbetween = \"38 % to 42 %\"");
        assert_eq!((duty.figure, duty.needed_rate()), (ShapeFigure::Duty, Some(4000.0)));
        let rise = rule("quantity = \"A DC\"\nshape = \"time constant\"\nbetween = \"5 ms to 9 ms\"");
        assert_eq!((rise.figure, rise.needed_rate()), (ShapeFigure::TimeConstant, Some(1000.0)));
    }

    #[test]
    fn mistakes_are_told() {
        for (keys, words) in [
            ("quantity = \"V DC\"\nshape = \"duty\"", "expected highest_frequency beside it"),
            ("quantity = \"V DC\"\nwarn_ahead = \"5 min\"", "expected it in a step with capture"),
            ("quantity = \"V DC\"\nwarn_below = \"13.1 V\"", "expected it in a step with capture"),
            (
                "quantity = \"V DC\"\ncapture = \"worst\"\nat_least = \"13 V\"\nwarn_below = \"12.9 V\"",
                "expected a value inside the limit at least 13 V",
            ),
            (
                "quantity = \"V DC\"\ncapture = \"worst\"\nat_least = \"13 V\"\nwarn_above = \"13.9 V\"",
                "expected a value inside the limit",
            ),
            (
                "quantity = \"V DC\"\ncapture = \"worst\"\nbetween = \"13 V to 14.2 V\"\nwarn_below = \"13.9 V\"\nwarn_above = \"13.1 V\"",
                "expected it lower",
            ),
            ("quantity = \"V DC\"\ncapture = \"worst\"\nripple_at_most = \"0.3 V\"", "highest_frequency beside it"),
            ("quantity = \"ohm\"\nshape = \"mean\"", "expected a channel and quantity"),
            ("quantity = \"V DC\"\nhighest_frequency = \"400 Hz\"", "beside shape or ripple_at_most"),
            ("quantity = \"V DC\"\nshape = \"duty\"\nhighest_frequency = \"4 V\"", "a frequency above zero"),
            (
                "quantity = \"V DC\"\nshape = \"duty\"\nhighest_frequency = \"400 Hz\"\nat_most = \"3 V\"",
                "expected a limit in %",
            ),
            (
                "quantity = \"A DC\"\nshape = \"RMS\"\nhighest_frequency = \"400 Hz\"\ncapture = \"steady\"",
                "expected capture = \"worst\" or none",
            ),
        ] {
            let mistake = step(keys).unwrap_err();
            assert!(mistake.message.contains(words), "{keys}: {mistake}");
        }
    }
}
