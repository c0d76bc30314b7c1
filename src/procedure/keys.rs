//! The keys of a step that say how a value is captured, and their defaults.

use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::{CaptureMode, ConditionRule, ContactRule, HeatRule, PartTemperature, file::StepTable};
use crate::{
    electrics::DecisionRule,
    mistake::{Mistake, Source},
    units::{Dimension, Limit, Measure, Quantity, parse_duration},
};

/// How long a reading must be steady: three readings of a slow handheld meter.
pub(super) const STEADY: Duration = Duration::from_millis(1000);
/// How long after contact and load a value counts.
pub(super) const AFTER: Duration = Duration::ZERO;
/// How long to wait before asking: finding a pin takes that long.
pub(super) const PATIENCE: Duration = Duration::from_secs(30);
/// How long a load must have been there.
const HELD: Duration = Duration::from_millis(200);
/// A load may fall short by this much before it counts as gone.
const HYSTERESIS: f64 = 0.1;
/// An open voltmeter lead picks up less than this: common practice, no source.
const CONTACT_V: f64 = 0.5;
/// An empty clamp drifts by less than this: common practice, no source.
const CONTACT_A: f64 = 0.05;
/// What flows is more than this share of what is wanted, or an empty clamp's offset: common practice, no source.
const CONTACT_SHARE: f64 = 0.2;
/// Coil limits are given at this temperature where nothing else is said, °C: common practice, no source.
const REFERENCE_C: f64 = 20.0;

#[derive(Deserialize, Default, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum AdvanceWord {
    #[default]
    Told,
    Lifted,
}

#[derive(Deserialize, Default, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum CaptureWord {
    #[default]
    Taken,
    Steady,
    Worst,
}

#[derive(Deserialize, Default, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum RuleWord {
    #[default]
    Guarded,
    Simple,
}

impl From<RuleWord> for DecisionRule {
    fn from(word: RuleWord) -> Self {
        match word {
            RuleWord::Guarded => Self::Guarded,
            RuleWord::Simple => Self::Simple,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ConditionTable {
    channel: Spanned<String>,
    at_least: Option<Spanned<String>>,
    at_most: Option<Spanned<String>>,
    held: Option<Spanned<String>>,
    hysteresis: Option<Spanned<String>>,
}

pub(super) fn duration(source: Source, text: Option<&Spanned<String>>, default: Duration) -> Result<Duration, Mistake> {
    Ok(optional_duration(source, text)?.unwrap_or(default))
}

pub(super) fn optional_duration(source: Source, text: Option<&Spanned<String>>) -> Result<Option<Duration>, Mistake> {
    let parse = |text: &Spanned<String>| {
        parse_duration(text.get_ref()).map_err(|error| source.mistake(text.span(), error.to_string()))
    };
    text.map(parse).transpose()
}

/// `contact = "0.5 V"`, or `contact = "fixed"` for leads that stay where they are.
///
/// Only a value that captures itself needs a proof of contact. A small drop proves none: it reads like a
/// lead that touches nothing, so such a step must say that its leads are fixed, or what proves contact.
pub(super) fn contact(
    source: Source,
    table: &StepTable,
    quantity: Option<Quantity>,
    limit: Option<&Limit>,
    capture: CaptureMode,
) -> Result<ContactRule, Mistake> {
    let dimension = quantity.map(Quantity::dimension).or(limit.map(|limit| limit.dimension));
    if let Some(text) = &table.contact {
        if text.get_ref() == "fixed" {
            return Ok(ContactRule::Fixed);
        }
        let least: Measure = source.parse(text)?;
        if dimension.is_some_and(|dimension| dimension != least.dimension) || least.value <= 0.0 {
            let message =
                format!("found \"{}\", expected \"fixed\" or a value above zero in the step's unit", text.get_ref());
            return Err(source.mistake(text.span(), message));
        }
        return Ok(ContactRule::AtLeast(least.value));
    }
    if capture != CaptureMode::Steady {
        return Ok(ContactRule::Fixed);
    }
    let least = match dimension {
        Some(Dimension::Volt) => CONTACT_V,
        Some(Dimension::Ampere) => CONTACT_A.max(CONTACT_SHARE * limit.map_or(0.0, smallest)),
        Some(Dimension::Ohm) => 0.0,
        _ => return Ok(ContactRule::Fixed),
    };
    let provable = limit.is_none_or(|limit| limit.low.is_some() || limit.high.is_none_or(|high| high > 2.0 * least));
    if !provable {
        let message = format!(
            "step \"{}\" captures by itself a value that reads like a lifted lead, expected contact = \"fixed\" \
             (the leads stay where they are) or a value that proves contact",
            table.name.get_ref()
        );
        return Err(source.mistake(table.name.span(), message));
    }
    Ok(ContactRule::AtLeast(least))
}

/// The least that a limit takes for sound, either sign.
fn smallest(limit: &Limit) -> f64 {
    limit.low.or(limit.high).map_or(0.0, f64::abs)
}

pub(super) fn conditions(source: Source, tables: &[ConditionTable]) -> Result<Vec<ConditionRule>, Mistake> {
    tables.iter().map(|table| condition(source, table)).collect()
}

fn condition(source: Source, table: &ConditionTable) -> Result<ConditionRule, Mistake> {
    let limit = match (&table.at_least, &table.at_most) {
        (Some(least), None) => Limit::at_least(source.parse(least)?),
        (None, Some(most)) => Limit::at_most(source.parse(most)?),
        _ => return Err(source.mistake(table.channel.span(), "expected at_least or at_most beside the channel")),
    };
    let hysteresis = match &table.hysteresis {
        None => HYSTERESIS,
        Some(text) => {
            let share: Measure = source.parse(text)?;
            if share.dimension != Dimension::Percent || !(0.0..100.0).contains(&share.value) {
                let message = format!("found \"{}\", expected a share such as \"10 %\"", text.get_ref());
                return Err(source.mistake(text.span(), message));
            }
            share.value / 100.0
        }
    };
    Ok(ConditionRule {
        channel: table.channel.get_ref().clone(),
        limit,
        held: duration(source, table.held.as_ref(), HELD)?,
        hysteresis,
    })
}

/// `limit_at = "20 °C"`; `temperature = "63 °C"` or the name of a channel that measures it; `place = "0 °C to 60 °C"`,
/// the temperatures that the part can have where it is.
pub(super) fn heat(source: Source, table: &StepTable, quantity: Option<Quantity>) -> Result<Option<HeatRule>, Mistake> {
    if quantity != Some(Quantity::Ohms) {
        return match table.limit_at.as_ref().or(table.temperature.as_ref()).or(table.place.as_ref()) {
            Some(text) => {
                Err(source.mistake(text.span(), "found a temperature, expected it in a step on \"ohm\" only"))
            }
            None => Ok(None),
        };
    }
    // A limit that says at which temperature it holds is corrected; others are only explained.
    let reference = match &table.limit_at {
        None => REFERENCE_C,
        Some(text) => celsius(source, text)?,
    };
    let part = match &table.temperature {
        None => PartTemperature::OfSession,
        Some(text) => match celsius(source, text) {
            Ok(given) => PartTemperature::Given(given),
            Err(mistake) if text.get_ref().starts_with(|c: char| c.is_ascii_digit() || c == '-') => {
                return Err(mistake);
            }
            Err(_) => PartTemperature::Channel(text.get_ref().clone()),
        },
    };
    let place = table.place.as_ref().map(|text| place(source, text)).transpose()?;
    Ok(Some(HeatRule { reference, part, place }))
}

fn place(source: Source, text: &Spanned<String>) -> Result<(f64, f64), Mistake> {
    let range = Limit::between(text.get_ref()).map_err(|error| source.mistake(text.span(), error.to_string()))?;
    match (range.low, range.high, range.dimension) {
        (Some(low), Some(high), Dimension::Celsius) => Ok((low, high)),
        _ => {
            let found = text.get_ref();
            Err(source
                .mistake(text.span(), format!("found \"{found}\", expected temperatures such as \"-10 °C to 60 °C\"")))
        }
    }
}

fn celsius(source: Source, text: &Spanned<String>) -> Result<f64, Mistake> {
    let measure: Measure = source.parse(text)?;
    if measure.dimension == Dimension::Celsius {
        return Ok(measure.value);
    }
    Err(source.mistake(text.span(), format!("found \"{}\", expected a temperature such as \"20 °C\"", text.get_ref())))
}
