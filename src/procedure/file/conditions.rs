//! What must be so for a value to count: touching leads, loads, what follows what, heat.

use std::time::Duration;

use toml::Spanned;

use super::tables::{ConditionTable, StepTable, WhenTable};
use crate::{
    mistake::{Mistake, Source},
    procedure::{
        CaptureMode, ConditionRule, ContactRule, HeatRule, PartTemperature, RequiredMove, ResponseRule,
        ResponseTrigger, Role,
        keys::{Contact, Share, Time},
        limits::{WrittenLimit, dimension},
        response::LevelRange,
    },
    units::{AsWritten, Dimension, Limit, Quantity},
};

/// How long a load must have been there.
const HELD: Duration = Duration::from_millis(200);
/// A load may fall short by this share before it counts as gone.
const HYSTERESIS: f64 = 0.1;
/// An open voltmeter lead picks up less than this: common practice, no source.
const CONTACT_V: f64 = 0.5;
/// An empty clamp drifts by less than this: common practice, no source.
const CONTACT_A: f64 = 0.05;
/// A current through the clamp is more than this share of the limit; less is an empty clamp's offset: common practice,
/// no source.
const CONTACT_SHARE: f64 = 0.2;
/// Coil limits hold at this temperature where the file names no other, °C: common practice, no source.
const REFERENCE_C: f64 = 20.0;

/// Only a value that captures itself needs a proof of contact. A small drop proves none: it reads like a lead that
/// touches nothing, so such a step must say that its leads are fixed, or which value proves contact.
pub(super) fn contact(source: Source, table: &StepTable, limit: Option<&WrittenLimit>) -> Result<ContactRule, Mistake> {
    let dimension = dimension(table, limit);
    let plain = limit.and_then(WrittenLimit::plain);
    if let Some(key) = &table.contact {
        let AsWritten { value, text } = key.get_ref();
        return match value {
            Contact::Fixed => Ok(ContactRule::Fixed),
            Contact::AtLeast(least)
                if least.value > 0.0 && dimension.is_none_or(|dimension| dimension == least.dimension) =>
            {
                Ok(ContactRule::AtLeast(least.value))
            }
            Contact::AtLeast(_) => {
                let message = format!("found \"{text}\", expected \"fixed\" or a value above zero in the step's unit");
                Err(source.mistake(key.span(), message))
            }
        };
    }
    if table.capture != CaptureMode::Steady {
        return Ok(ContactRule::Fixed);
    }
    let least = match dimension {
        Some(Dimension::Volt) => CONTACT_V,
        Some(Dimension::Ampere) => CONTACT_A.max(CONTACT_SHARE * plain.map_or(0.0, nearest_to_zero)),
        Some(Dimension::Ohm) => 0.0,
        _ => return Ok(ContactRule::Fixed),
    };
    if least > 0.0 && limit.is_some_and(|limit| limit.may_be_near_zero(least)) {
        let message = format!(
            "step \"{}\" captures by itself a value that may be near zero, as a lead that touches nothing shows; write \
             contact = \"fixed\" if the leads are clipped on and stay there, or contact = \"20 mV\", the least value that proves \
             to you that they touch",
            table.name.get_ref().0
        );
        return Err(source.mistake(table.name.span(), message));
    }
    Ok(ContactRule::AtLeast(least))
}

/// The lower edge of a limit, either sign; its only edge where it has one.
fn nearest_to_zero(limit: &Limit) -> f64 {
    limit.low.or(limit.high).map_or(0.0, f64::abs)
}

pub(super) fn condition(source: Source, table: &ConditionTable) -> Result<ConditionRule, Mistake> {
    let limit = match (table.at_least, table.at_most) {
        (Some(least), None) => Limit::at_least(least),
        (None, Some(most)) => Limit::at_most(most),
        _ => return Err(source.mistake(table.channel.span(), "expected at_least or at_most beside the channel")),
    };
    let edge = limit.low.or(limit.high).unwrap_or(0.0);
    if limit.dimension == Dimension::Ampere && edge <= 0.0 {
        let message = format!(
            "found {limit} for channel \"{}\", expected a value above zero: the size of a current counts, whatever its sign",
            table.channel.get_ref()
        );
        return Err(source.mistake(table.channel.span(), message));
    }
    Ok(ConditionRule {
        channel: table.channel.get_ref().clone(),
        limit,
        held: table.held.map_or(HELD, |Time(held)| held),
        hysteresis: table.hysteresis.map_or(HYSTERESIS, |Share(share)| share),
    })
}

pub(super) fn response(source: Source, table: &WhenTable) -> Result<ResponseRule, Mistake> {
    let wrong = |message: &str| Err(source.mistake(table.channel.span(), message));
    let trigger = match (&table.mark, &table.change) {
        (Some(text), None) if table.going.is_none() => ResponseTrigger::Mark(text.0.trim().to_owned()),
        (None, Some(channel)) => ResponseTrigger::Change(channel.clone(), table.going),
        _ => return wrong("expected mark, or change with or without going, beside the channel"),
    };
    let (from, to) = (table.from.map(|LevelRange(limit)| limit), table.to.map(|LevelRange(limit)| limit));
    match table.must {
        RequiredMove::Go if to.is_none() && table.within.is_none() => {
            return wrong("expected `to` or `within`: what must it do?");
        }
        RequiredMove::Hold if from.is_some() || to.is_some() => {
            return wrong("found `from` or `to`, expected none where it must hold");
        }
        _ => {}
    }
    if from.zip(to).is_some_and(|(from, to)| from.dimension != to.dimension) {
        return wrong("found `from` and `to` in different units, expected the same");
    }
    Ok(ResponseRule {
        trigger,
        channel: table.channel.get_ref().clone(),
        must: table.must,
        from,
        to,
        within: table.within.map(|Time(within)| within),
    })
}

/// Temperatures belong to the ohms of a coil: copper's resistance rises with heat.
pub(super) fn heat(source: Source, table: &StepTable, limit: Option<&Limit>) -> Result<Option<HeatRule>, Mistake> {
    let spans = [
        table.limit_at.as_ref().map(Spanned::span),
        table.temperature.as_ref().map(Spanned::span),
        table.place.as_ref().map(Spanned::span),
        table.state.as_ref().map(Spanned::span),
    ];
    let told = spans.into_iter().flatten().next();
    if table.quantity != Some(Quantity::Ohms) {
        return match told {
            Some(span) => Err(source.mistake(span, "found a temperature, expected it in a step on \"ohm\" only")),
            None => Ok(None),
        };
    }
    // Ohms with a limit on one side are those of a wire, of leads or of insulation unless the step says otherwise.
    let is_one_sided = limit.is_some_and(|limit| limit.low.is_none() || limit.high.is_none());
    let is_coil = match table.role.as_ref().map(|role| *role.get_ref()) {
        Some(role) => role == Role::CoilOhms,
        None => !is_one_sided,
    };
    Ok((is_coil || told.is_some()).then(|| HeatRule {
        reference: table.limit_at.as_ref().map_or(REFERENCE_C, |celsius| celsius.get_ref().0),
        part: table.temperature.as_ref().map_or(PartTemperature::OfSession, |part| part.get_ref().clone()),
        place: table.place.as_ref().map(|range| range.get_ref().0),
        state: table.state.as_ref().map(|state| *state.get_ref()),
    }))
}
