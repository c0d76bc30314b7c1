//! The accuracy of a channel as the bench file writes it: one text, or the rows of a data sheet.
//!
//! ```toml
//! accuracy = [
//!     { quantity = "V DC", range = "600 mV", digit = "0.1 mV", accuracy = "0.8 % + 3 digits" },
//!     { quantity = "V DC", accuracy = "0.5 % + 2 digits" },   # all other ranges
//! ]
//! ```
//!
//! Reads and checks only; which row holds for a value is told by [`DataSheet::in_force`].

use std::fmt;

use serde::{
    Deserialize, Deserializer,
    de::{SeqAccess, Visitor, value::SeqAccessDeserializer},
};
use toml::Spanned;

use super::{Feed, bench::above_zero};
use crate::{
    mistake::{Mistake, Source},
    units::{Accuracy, DataSheet, Dimension, Quantity, Row, row_text},
};

/// What stands behind `accuracy =`.
#[derive(Debug)]
pub(super) enum AccuracyKeys {
    One(String),
    Rows(Vec<Spanned<RowTable>>),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, expecting = "a row such as { quantity = \"V DC\", accuracy = \"0.5 % + 2 digits\" }")]
pub(super) struct RowTable {
    quantity: Option<Spanned<String>>,
    range: Option<Spanned<String>>,
    digit: Option<Spanned<String>>,
    accuracy: Spanned<String>,
}

/// By hand, as serde's own way to tell text from rows loses the lines.
impl<'de> Deserialize<'de> for AccuracyKeys {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = AccuracyKeys;

            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str(
                    "an accuracy such as \"0.5 % + 2 digits\", or a list of rows with quantity, range and accuracy",
                )
            }

            fn visit_str<E>(self, text: &str) -> Result<AccuracyKeys, E> {
                Ok(AccuracyKeys::One(text.to_owned()))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, rows: A) -> Result<AccuracyKeys, A::Error> {
                Vec::deserialize(SeqAccessDeserializer::new(rows)).map(AccuracyKeys::Rows)
            }
        }
        from.deserialize_any(Either)
    }
}

/// The data sheet of a channel that is fed so, and its text form.
pub(super) fn read(source: Source, keys: &Spanned<AccuracyKeys>, feed: &Feed) -> Result<(DataSheet, String), Mistake> {
    let tables = match keys.get_ref() {
        AccuracyKeys::One(text) => {
            let accuracy: Accuracy = text
                .parse()
                .map_err(|error: crate::units::UnitError| source.mistake(keys.span(), error.to_string()))?;
            check_unit(source, keys, &accuracy, feed.dimension())?;
            return Ok((DataSheet::one(accuracy), text.clone()));
        }
        AccuracyKeys::Rows(tables) => tables,
    };
    if tables.is_empty() {
        return Err(source.mistake(keys.span(), "found no row, expected one for each function and range at least"));
    }
    let (mut rows, mut texts) = (Vec::<Row>::with_capacity(tables.len()), Vec::with_capacity(tables.len()));
    for table in tables {
        let (row, text) = read_row(source, table, feed)?;
        if rows.iter().any(|other| other.is_like(&row)) {
            let range = table.get_ref().range.as_ref();
            let range =
                range.map_or("without a range".to_owned(), |range| format!("with range \"{}\"", range.get_ref()));
            let message = format!("found a second row for \"{}\" {range}, expected one for each range", row.quantity);
            return Err(source.mistake(table.span(), message));
        }
        rows.push(row);
        texts.push(text);
    }
    Ok((DataSheet::of_rows(rows), texts.join("; ")))
}

fn read_row(source: Source, table: &Spanned<RowTable>, feed: &Feed) -> Result<(Row, String), Mistake> {
    let keys = table.get_ref();
    let quantity = function(source, table, feed.shows())?;
    let dimension = quantity.dimension();
    let example = format!("6 {}", dimension.unit());
    let size = |text: &Option<Spanned<String>>| {
        text.as_ref().map(|text| above_zero(source, text, Some(dimension), &example)).transpose()
    };
    let (range, digit) = (size(&keys.range)?.map(|size| size.value), size(&keys.digit)?.map(|size| size.value));
    if let (Some(scale), Some(size), Some(text)) = (range, digit, &keys.digit)
        && size >= scale
    {
        let message = format!("found a digit of \"{}\", expected one that is less than the range", text.get_ref());
        return Err(source.mistake(text.span(), message));
    }
    let accuracy: Accuracy = source.parse(&keys.accuracy)?;
    check_unit(source, &keys.accuracy, &accuracy, Some(dimension))?;
    fn word(text: &Option<Spanned<String>>) -> Option<&str> {
        text.as_ref().map(|text| text.get_ref().as_str())
    }
    let text = row_text(quantity, word(&keys.range), word(&keys.digit), keys.accuracy.get_ref());
    Ok((Row { quantity, range, digit, accuracy }, text))
}

/// The function that a row is for: that of the channel where it has but one.
fn function(source: Source, table: &Spanned<RowTable>, shows: Option<Quantity>) -> Result<Quantity, Mistake> {
    let told = table.get_ref().quantity.as_ref();
    let row: Option<Quantity> = told.map(|text| source.parse(text)).transpose()?;
    match (row, shows, told) {
        (Some(row), Some(shows), Some(text)) if row != shows => {
            let message = format!("found a row for \"{row}\", expected \"{shows}\" as the channel shows");
            Err(source.mistake(text.span(), message))
        }
        (Some(quantity), ..) | (None, Some(quantity), _) => Ok(quantity),
        (None, None, _) => {
            let message =
                "found a row that does not say for which function it is, expected quantity = \"V DC\" or another";
            Err(source.mistake(table.span(), message))
        }
    }
}

/// What is fixed in an accuracy must stand in the unit of what is shown, where that is known.
fn check_unit<T>(
    source: Source,
    at: &Spanned<T>,
    accuracy: &Accuracy,
    shown: Option<Dimension>,
) -> Result<(), Mistake> {
    match (accuracy.dimension, shown) {
        (Some(fixed), Some(shown)) if fixed != shown => {
            let message =
                format!("found an accuracy in {}, expected {} as the channel shows", fixed.unit(), shown.unit());
            Err(source.mistake(at.span(), message))
        }
        _ => Ok(()),
    }
}
