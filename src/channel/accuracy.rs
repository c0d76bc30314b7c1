//! The accuracy of a channel as the bench file writes it: one text, or the rows of a data sheet.
//!
//! ```toml
//! accuracy = [
//!     { quantity = "V DC", range = "600 mV", digit = "0.1 mV", accuracy = "0.8 % + 3 digits" },
//!     { quantity = "V DC", accuracy = "0.5 % + 2 digits" },   # all other ranges
//! ]
//! ```
//!
//! Reads and checks only; [`DataSheet::row_for`] chooses the row for a value.

use std::fmt;

use serde::{
    Deserialize, Deserializer,
    de::{SeqAccess, Visitor, value::SeqAccessDeserializer},
};
use toml::Spanned;

use super::Conversion;
use crate::{
    mistake::{Mistake, Source},
    units::{Accuracy, AsWritten, DataSheet, DataSheetRow, Dimension, Measure, Quantity, row_text},
};

/// The value of the key `accuracy`.
#[derive(Debug)]
pub(super) enum AccuracyKeys {
    One(AsWritten<Accuracy>),
    Rows(Vec<Spanned<RowTable>>),
}

/// A row may leave out its quantity, which is then that of the channel, and keeps its places for mistakes.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, expecting = "a row such as { quantity = \"V DC\", accuracy = \"0.5 % + 2 digits\" }")]
pub(super) struct RowTable {
    quantity: Option<Spanned<Quantity>>,
    range: Option<Spanned<AsWritten<Measure>>>,
    digit: Option<Spanned<AsWritten<Measure>>>,
    accuracy: Spanned<AsWritten<Accuracy>>,
}

/// By hand, as serde's untagged enums lose the lines.
impl<'de> Deserialize<'de> for AccuracyKeys {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct TextOrRows;
        impl<'de> Visitor<'de> for TextOrRows {
            type Value = AccuracyKeys;

            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str(
                    "an accuracy such as \"0.5 % + 2 digits\", or a list of rows with quantity, range and accuracy",
                )
            }

            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<AccuracyKeys, E> {
                text.parse().map(AccuracyKeys::One).map_err(E::custom)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, rows: A) -> Result<AccuracyKeys, A::Error> {
                Vec::deserialize(SeqAccessDeserializer::new(rows)).map(AccuracyKeys::Rows)
            }
        }
        from.deserialize_any(TextOrRows)
    }
}

/// The data sheet of a channel with this conversion.
pub(super) fn read_accuracy(
    source: Source,
    keys: &Spanned<AccuracyKeys>,
    conversion: &Conversion,
) -> Result<AsWritten<DataSheet>, Mistake> {
    let tables = match keys.get_ref() {
        AccuracyKeys::One(accuracy) => {
            check_unit(source, keys, &accuracy.value, conversion.dimension())?;
            return Ok(AsWritten { value: DataSheet::one(accuracy.value), text: accuracy.text.clone() });
        }
        AccuracyKeys::Rows(tables) => tables,
    };
    if tables.is_empty() {
        return Err(source.mistake(keys.span(), "found no row, expected one for each function and range at least"));
    }
    let (mut rows, mut texts) = (Vec::<DataSheetRow>::with_capacity(tables.len()), Vec::with_capacity(tables.len()));
    for table in tables {
        let (row, text) = read_row(source, table, conversion)?;
        if rows.iter().any(|other| other.is_like(&row)) {
            let range = table.get_ref().range.as_ref();
            let range =
                range.map_or("without a range".to_owned(), |range| format!("with range \"{}\"", range.get_ref().text));
            let message = format!("found a second row for \"{}\" {range}, expected one for each range", row.quantity);
            return Err(source.mistake(table.span(), message));
        }
        rows.push(row);
        texts.push(text);
    }
    Ok(AsWritten { value: DataSheet::of_rows(rows), text: texts.join("; ") })
}

fn read_row(
    source: Source,
    table: &Spanned<RowTable>,
    conversion: &Conversion,
) -> Result<(DataSheetRow, String), Mistake> {
    let keys = table.get_ref();
    let quantity = function(source, table, conversion.shows())?;
    let dimension = quantity.dimension();
    let example = format!("6 {}", dimension.unit());
    let size = |written: &Option<Spanned<AsWritten<Measure>>>| {
        let size =
            written.as_ref().map(|written| above_zero(source, written, Some(dimension), &example)).transpose()?;
        Ok(size.map(|size| size.value))
    };
    let (range, digit) = (size(&keys.range)?, size(&keys.digit)?);
    if let (Some(full_scale), Some(size), Some(written)) = (range, digit, &keys.digit)
        && size >= full_scale
    {
        let message =
            format!("found a digit of \"{}\", expected one that is less than the range", written.get_ref().text);
        return Err(source.mistake(written.span(), message));
    }
    let accuracy = keys.accuracy.get_ref();
    check_unit(source, &keys.accuracy, &accuracy.value, Some(dimension))?;
    fn text(written: &Option<Spanned<AsWritten<Measure>>>) -> Option<&str> {
        written.as_ref().map(|written| written.get_ref().text.as_str())
    }
    let text = row_text(quantity, text(&keys.range), text(&keys.digit), &accuracy.text);
    Ok((DataSheetRow { quantity, range, digit, accuracy: accuracy.value }, text))
}

/// The function that a row is for: that of the channel where it has only one.
fn function(source: Source, table: &Spanned<RowTable>, shows: Option<Quantity>) -> Result<Quantity, Mistake> {
    match (&table.get_ref().quantity, shows) {
        (Some(row), Some(shows)) if *row.get_ref() != shows => {
            let message = format!("found a row for \"{}\", expected \"{shows}\" as the channel shows", row.get_ref());
            Err(source.mistake(row.span(), message))
        }
        (Some(row), _) => Ok(*row.get_ref()),
        (None, Some(shows)) => Ok(shows),
        (None, None) => {
            let message =
                "found a row that does not say for which function it is, expected quantity = \"V DC\" or another";
            Err(source.mistake(table.span(), message))
        }
    }
}

/// The fixed part of an accuracy must have the unit of the channel, where that is known.
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

/// A value above zero, in this dimension where it is known.
pub(super) fn above_zero(
    source: Source,
    written: &Spanned<AsWritten<Measure>>,
    dimension: Option<Dimension>,
    example: &str,
) -> Result<Measure, Mistake> {
    let AsWritten { value: measure, text } = written.get_ref();
    if measure.value > 0.0 && dimension.is_none_or(|dimension| dimension == measure.dimension) {
        return Ok(*measure);
    }
    let unit = dimension.map_or(String::new(), |dimension| format!(" in {}", dimension.unit()));
    let message = format!("found \"{text}\", expected a value above zero{unit}, such as \"{example}\"");
    Err(source.mistake(written.span(), message))
}
