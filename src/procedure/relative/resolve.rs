//! Looks the names of a relative limit up among the steps, and proves that the units go together.

use super::{
    ReferenceTerm, ReferenceValue, RelativeLimit, ValueSource,
    formula::{Name, WrittenReference},
    text::WrittenRelative,
};
use crate::{procedure::Step, units::Dimension};

/// Why the names of a relative limit can't be used.
#[derive(Debug, thiserror::Error)]
pub(in crate::procedure) enum RelativeError {
    #[error("found \"{found}\" in the limit of that step itself, expected another step or a channel")]
    Itself { found: String },
    #[error(
        "found the set \"{found}\", expected one of its items, or \"sum of {found}\" or \"mean of {found}\" for all of them"
    )]
    IsASet { found: String },
    #[error("found siblings, expected a role beside them and other circuits with a step of the same role")]
    NoSiblings,
    #[error("found a limit that refers to others, expected quantity = \"…\" beside it")]
    NoQuantity,
    #[error("found a reference in {found}, expected {expected} as the step's quantity is \"{quantity}\"")]
    Unit { found: String, expected: &'static str, quantity: &'static str },
}

impl WrittenRelative {
    /// The limit of the step at this place, its names looked up among all steps.
    pub(in crate::procedure) fn resolve(self, place: usize, steps: &[Step]) -> Result<RelativeLimit, RelativeError> {
        let own = &steps[place];
        let Some(quantity) = own.quantity else { return Err(RelativeError::NoQuantity) };
        let reference = match self.reference {
            WrittenReference::Siblings => ReferenceValue::Siblings(siblings(own, steps)?),
            WrittenReference::SumOf(names) => {
                let sources = all_sources(names, own, steps)?;
                let term = |source| ReferenceTerm { is_negative: false, times: vec![source], over: Vec::new() };
                ReferenceValue::Sum(sources.into_iter().map(term).collect())
            }
            WrittenReference::Mean(names) => ReferenceValue::Mean(all_sources(names, own, steps)?),
            WrittenReference::Sum(terms) => {
                let each = |names: Vec<Name>| -> Result<Vec<ValueSource>, RelativeError> {
                    names.into_iter().map(|name| source(name, own, steps)).collect()
                };
                let term = |(is_negative, times, over)| {
                    Ok(ReferenceTerm { is_negative, times: each(times)?, over: each(over)? })
                };
                ReferenceValue::Sum(terms.into_iter().map(term).collect::<Result<_, RelativeError>>()?)
            }
        };
        let unit = |found: Dimension, expected: Dimension| RelativeError::Unit {
            found: found.unit().to_owned(),
            expected: expected.unit(),
            quantity: quantity.word(),
        };
        let own_dimension = quantity.dimension();
        let wanted = match self.per {
            Some((out, per)) if out == own_dimension => per,
            Some((out, _)) => return Err(unit(out, own_dimension)),
            None => own_dimension,
        };
        if let Some(offset) = self.offset.filter(|offset| *offset != own_dimension) {
            return Err(unit(offset, own_dimension));
        }
        // What a channel shows is known to the bench alone, and checked when it is read.
        let of_step = |source: &ValueSource| match source {
            ValueSource::Step(name) => steps.iter().find(|step| step.name == *name)?.quantity.map(|q| q.dimension()),
            ValueSource::Channel(_) => None,
        };
        let is_known = reference.sources().into_iter().all(|source| of_step(source).is_some());
        match reference.dimension(of_step) {
            Some(found) if found != wanted => return Err(unit(found, wanted)),
            None if is_known => {
                return Err(RelativeError::Unit {
                    found: "units that do not go together".to_owned(),
                    expected: wanted.unit(),
                    quantity: quantity.word(),
                });
            }
            _ => {}
        }
        Ok(RelativeLimit { low: self.low, high: self.high, reference, text: self.text })
    }

    /// What it says of the value alone, as far as contact goes: whether a small value breaks it.
    pub(in crate::procedure) fn has_low(&self) -> bool {
        self.low.is_some()
    }
}

fn siblings(own: &Step, steps: &[Step]) -> Result<Vec<ValueSource>, RelativeError> {
    let same = steps.iter().filter(|step| {
        step.role.is_some() && step.role == own.role && step.quantity == own.quantity && step.circuit != own.circuit
    });
    let sources: Vec<ValueSource> = same.map(|step| ValueSource::Step(step.name.clone())).collect();
    if sources.is_empty() { Err(RelativeError::NoSiblings) } else { Ok(sources) }
}

/// The sources of names, each item of a set being one.
fn all_sources(names: Vec<Name>, own: &Step, steps: &[Step]) -> Result<Vec<ValueSource>, RelativeError> {
    let mut sources = Vec::new();
    for name in names {
        let items = steps.iter().filter(|step| {
            !name.is_channel && step.set.as_ref().is_some_and(|set| set.eq_ignore_ascii_case(&name.text))
        });
        let before = sources.len();
        sources.extend(items.map(|step| ValueSource::Step(step.name.clone())));
        if sources.len() == before {
            sources.push(source(name, own, steps)?);
        }
    }
    if sources.iter().any(|source| matches!(source, ValueSource::Step(name) if *name == own.name)) {
        return Err(RelativeError::Itself { found: own.name.clone() });
    }
    Ok(sources)
}

fn source(name: Name, own: &Step, steps: &[Step]) -> Result<ValueSource, RelativeError> {
    if name.is_channel {
        return Ok(ValueSource::Channel(name.text));
    }
    if let Some(step) = steps.iter().find(|step| step.name.eq_ignore_ascii_case(&name.text)) {
        if step.name == own.name {
            return Err(RelativeError::Itself { found: name.text });
        }
        return Ok(ValueSource::Step(step.name.clone()));
    }
    if steps.iter().any(|step| step.set.as_ref().is_some_and(|set| set.eq_ignore_ascii_case(&name.text))) {
        return Err(RelativeError::IsASet { found: name.text });
    }
    Ok(ValueSource::Channel(name.text))
}
