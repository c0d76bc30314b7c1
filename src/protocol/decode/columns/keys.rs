//! The keys of a protocol file for numbers in columns.

use std::str::FromStr;

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use super::Column;
use crate::{
    mistake::Mistake,
    protocol::{
        counters::{CounterBits, TimeUnit},
        names::{ColumnNames, MOST_NAMES},
        number::OverloadWords,
        tables::{KindRule, PartContext},
    },
    units::Index,
    words::{from_text, words},
};

/// What such a line is.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(in crate::protocol) struct ColumnsRule {
    /// What stands between columns.
    pub(super) separator: Separator,
    /// Whether a line names the columns.
    pub(super) header: HeaderRule,
    /// A name for each column, empty where it is skipped; none where they are `v1`, `v2` … or
    /// come with a header.
    #[serde(rename = "names")]
    pub(super) column_names: Option<Spanned<ColumnNames>>,
    pub(in crate::protocol::decode) time: Option<TimeColumn>,
    pub(in crate::protocol::decode) sequence: Option<SequenceColumn>,
    /// Words for a value beyond the range.
    pub(super) overload: OverloadWords,
}

/// What separates columns or pairs: in files `"any"` or the text itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(in crate::protocol) enum Separator {
    /// Comma, semicolon, tab or spaces, also mixed.
    #[default]
    Any,
    /// This text; not empty.
    Text(Vec<u8>),
}

impl FromStr for Separator {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let may_be_in_number = |c: char| c.is_ascii_alphanumeric() || "+-.\r\n".contains(c);
        if text == "any" {
            Ok(Self::Any)
        } else if text.is_empty() || text.contains(may_be_in_number) {
            Err(format!("found the separator \"{text}\", expected \"any\" or text that is in no number"))
        } else {
            Ok(Self::Text(text.as_bytes().to_vec()))
        }
    }
}

from_text!(Separator);

/// Whether a line of names comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub(in crate::protocol) enum HeaderRule {
    /// Words are damage.
    #[default]
    #[strum(serialize = "none")]
    None,
    /// Where it comes, it names the columns.
    #[strum(serialize = "optional")]
    Optional,
    /// Numbers before it have no names and are refused.
    #[strum(serialize = "required")]
    Required,
}
words!(HeaderRule);

/// The column with the device's time.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol::decode) struct TimeColumn {
    pub(super) column: ColumnIndex,
    pub unit: TimeUnit,
    pub bits: Option<CounterBits>,
}

/// The column with the frame's number.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol::decode) struct SequenceColumn {
    pub(super) column: ColumnIndex,
    pub bits: Option<CounterBits>,
}

/// A column.
pub(super) type ColumnIndex = Index<MOST_NAMES>;

impl KindRule for ColumnsRule {
    type Keys = Self;

    fn from_keys(keys: Self, PartContext { source, .. }: PartContext<'_>) -> Result<Self, Mistake> {
        match &keys.column_names {
            Some(names) if keys.header != HeaderRule::None => {
                Err(source.mistake(names.span(), "found names beside a header, expected one of them"))
            }
            _ => Ok(keys),
        }
    }
}

impl ColumnsRule {
    /// The names of the values where the file gives them.
    pub(in crate::protocol::decode) fn value_names(&self) -> Option<Vec<String>> {
        let ColumnNames(names) = self.column_names.as_ref()?.get_ref();
        let values = names.iter().enumerate().filter(|(at, name)| self.own_column(*at, name).is_none());
        Some(values.map(|(_, name)| name.clone()).collect())
    }

    /// What a column is that is no value.
    pub(super) fn own_column(&self, at: usize, name: &str) -> Option<Column> {
        let at = Index(at);
        match (self.time, self.sequence) {
            (Some(time), _) if time.column == at => Some(Column::Time(time.unit)),
            (_, Some(sequence)) if sequence.column == at => Some(Column::Sequence),
            _ => name.is_empty().then_some(Column::Skipped),
        }
    }
}
