//! The limit of a step: one of four keys, or `at_least` and `at_most` together; or the answer that is good.

use std::ops::Range;

use toml::Spanned;

use super::{
    file::StepTable,
    keys::LimitValue,
    relative::{RelativeError, WrittenRelative},
};
use crate::{
    mistake::{Mistake, Source},
    units::{Dimension, Limit, Measure, Quantity},
};

/// What a step's value must keep to, and where that stands.
pub(super) enum WrittenLimit {
    /// By itself.
    Plain(Limit),
    /// By other values, whose names are looked up once all steps are known.
    Relative(WrittenRelative, Range<usize>),
}

/// A one-sided limit as it is written.
type OneSided<'a> = (&'a LimitValue<Measure>, &'a str, Range<usize>);

/// The step's limit; none where it has none.
pub(super) fn limit(source: Source, table: &StepTable) -> Result<Option<WrittenLimit>, Mistake> {
    let one_sided = |value: &LimitValue<Measure>, text: &str, span, limit: fn(Measure) -> Limit| match value {
        LimitValue::Plain(measure) => (LimitValue::Plain(limit(*measure)), text.to_owned(), span),
        LimitValue::Relative(relative) => (LimitValue::Relative(relative.clone()), text.to_owned(), span),
    };
    let least: Option<OneSided> =
        table.at_least.as_ref().map(|key| (&key.get_ref().value.0, key.get_ref().text.as_str(), key.span()));
    let most: Option<OneSided> =
        table.at_most.as_ref().map(|key| (&key.get_ref().value.0, key.get_ref().text.as_str(), key.span()));
    let forms = [least.is_some() || most.is_some(), table.between.is_some(), table.nominal.is_some()];
    if forms.into_iter().filter(|is_given| *is_given).count() > 1 {
        let message = "found two limits, expected at_least with or without at_most, or between, or nominal";
        return Err(source.mistake(table.name.span(), message));
    }
    let (value, text, span): (LimitValue<Limit>, String, Range<usize>) =
        match (&table.between, &table.nominal, least, most) {
            (Some(between), ..) => (between.get_ref().value.0.clone(), between.get_ref().text.clone(), between.span()),
            (None, Some(nominal), ..) => {
                (nominal.get_ref().value.0.clone(), nominal.get_ref().text.clone(), nominal.span())
            }
            (None, None, Some((value, text, span)), None) => one_sided(value, text, span, Limit::at_least),
            (None, None, None, Some((value, text, span))) => one_sided(value, text, span, Limit::at_most),
            (None, None, Some((least, ..)), Some((most, text, span))) => {
                let (LimitValue::Plain(low), LimitValue::Plain(high)) = (least, most) else {
                    let message = format!(
                        "found \"{text}\" beside at_least, expected between for limits that refer to other values"
                    );
                    return Err(source.mistake(span, message));
                };
                if low.dimension != high.dimension || low.value > high.value {
                    let message = format!("found \"{text}\", expected a value in the unit of at_least and above it");
                    return Err(source.mistake(span, message));
                }
                let limit = Limit { low: Some(low.value), high: Some(high.value), dimension: low.dimension };
                (LimitValue::Plain(limit), text.to_owned(), span)
            }
            (None, None, None, None) => return Ok(None),
        };
    if table.channel.is_none() {
        let message =
            format!("found a limit in step \"{}\", expected a channel to judge by it", table.name.get_ref().0);
        return Err(source.mistake(span, message));
    }
    let limit = match value {
        LimitValue::Relative(relative) => return Ok(Some(WrittenLimit::Relative(*relative, span))),
        LimitValue::Plain(limit) => limit,
    };
    let quantity = match (&table.shape, table.quantity) {
        (Some(figure), Some(of)) => Some(figure.get_ref().quantity(of)),
        (_, quantity) => quantity,
    };
    if let Some(quantity) = quantity.filter(|quantity| quantity.dimension() != limit.dimension) {
        let unit = quantity.unit();
        let message = format!("found \"{text}\", expected a limit in {unit} as the step's quantity is \"{quantity}\"");
        return Err(source.mistake(span, message));
    }
    Ok(Some(WrittenLimit::Plain(limit)))
}

/// The mistake of a limit whose names can't be used.
pub(super) fn relative_mistake(source: Source, error: &RelativeError, span: Range<usize>) -> Mistake {
    source.mistake(span, error.to_string())
}

impl WrittenLimit {
    /// The limit where it stands by itself.
    pub(super) fn plain(&self) -> Option<&Limit> {
        match self {
            Self::Plain(limit) => Some(limit),
            Self::Relative(..) => None,
        }
    }

    /// Whether a value that reads like a lifted lead, at most `least` from zero, could be in limit.
    pub(super) fn may_be_near_zero(&self, least: f64) -> bool {
        match self {
            Self::Plain(limit) => limit.low.is_none() && limit.high.is_some_and(|high| high <= 2.0 * least),
            Self::Relative(relative, _) => !relative.has_low(),
        }
    }
}

/// A step that asks a question has nothing to measure.
pub(super) fn check_answer(source: Source, table: &StepTable) -> Result<(), Mistake> {
    let Some(answer) = &table.answer else { return Ok(()) };
    let measures = table.channel.as_ref().map(Spanned::span);
    let limits = [
        table.at_least.as_ref().map(Spanned::span),
        table.at_most.as_ref().map(Spanned::span),
        table.between.as_ref().map(Spanned::span),
        table.nominal.as_ref().map(Spanned::span),
    ];
    if measures.into_iter().chain(limits.into_iter().flatten()).next().is_some() || table.quantity.is_some() {
        let message = format!(
            "found answer in step \"{}\", expected no channel, quantity or limit beside it: the operator answers yes or no",
            table.name.get_ref().0
        );
        return Err(source.mistake(answer.span(), message));
    }
    Ok(())
}

/// The dimension of a step's values, where its quantity or its limit tells it.
pub(super) fn dimension(table: &StepTable, limit: Option<&WrittenLimit>) -> Option<Dimension> {
    let by_limit = limit.and_then(WrittenLimit::plain).map(|limit| limit.dimension);
    table.quantity.map(Quantity::dimension).or(by_limit)
}
