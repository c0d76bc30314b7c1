//! The keys of a protocol file for numbers in columns.

use serde::Deserialize;
use strum::{EnumMessage, VariantArray};
use toml::Spanned;

use super::Column;
use crate::{
    mistake::{Mistake, Source},
    protocol::{
        counters::{CounterBits, TimeUnit},
        names::{ColumnNames, MOST_NAMES},
        number::OverloadWords,
    },
    words::words,
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
    pub(super) names: Option<Spanned<ColumnNames>>,
    pub(in crate::protocol::decode) time: Option<TimeColumn>,
    pub(in crate::protocol::decode) sequence: Option<SequenceColumn>,
    /// Words for a value beyond the range.
    pub(super) overload: OverloadWords,
}

/// What separates columns or pairs: in files `"any"` or the text itself.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(try_from = "String")]
pub(in crate::protocol) enum Separator {
    /// Comma, semicolon, tab or spaces, also mixed.
    #[default]
    Any,
    /// This text; not empty.
    Text(Vec<u8>),
}

impl TryFrom<String> for Separator {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let may_be_in_number = |c: char| c.is_ascii_alphanumeric() || "+-.\r\n".contains(c);
        if text == "any" {
            Ok(Self::Any)
        } else if text.is_empty() || text.contains(may_be_in_number) {
            Err(format!("found the separator \"{text}\", expected \"any\" or text that is in no number"))
        } else {
            Ok(Self::Text(text.into_bytes()))
        }
    }
}

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

/// A column. Files count from 1, this counts from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
pub(super) struct ColumnIndex(pub usize);

impl TryFrom<i64> for ColumnIndex {
    type Error = &'static str;

    fn try_from(from_one: i64) -> Result<Self, Self::Error> {
        let index = usize::try_from(from_one).ok().and_then(|at| at.checked_sub(1)).filter(|at| *at < MOST_NAMES);
        index.map(Self).ok_or("expected a column counted from 1")
    }
}

impl ColumnsRule {
    /// Checks what concerns several keys.
    pub(in crate::protocol::decode) fn check(&self, source: Source<'_>) -> Result<(), Mistake> {
        match &self.names {
            Some(names) if self.header != HeaderRule::None => {
                Err(source.mistake(names.span(), "found names beside a header, expected one of them"))
            }
            _ => Ok(()),
        }
    }

    /// The names of the values where the file gives them.
    pub(in crate::protocol::decode) fn value_names(&self) -> Option<Vec<String>> {
        let ColumnNames(names) = self.names.as_ref()?.get_ref();
        let values = names.iter().enumerate().filter(|(at, name)| self.own_column(*at, name).is_none());
        Some(values.map(|(_, name)| name.clone()).collect())
    }

    /// What a column is that is no value.
    pub(super) fn own_column(&self, at: usize, name: &str) -> Option<Column> {
        let at = ColumnIndex(at);
        match (self.time, self.sequence) {
            (Some(time), _) if time.column == at => Some(Column::Time(time.unit)),
            (_, Some(sequence)) if sequence.column == at => Some(Column::Sequence),
            _ => name.is_empty().then_some(Column::Skipped),
        }
    }
}
