//! Reads the tables of a protocol file.
//!
//! serde's tagged enums lose the places of the values within them. So a table that comes in kinds is read in two steps, first
//! its `kind` and then the rest as what this kind is, and each mistake keeps its own line.

use std::time::Duration;

use serde::de::DeserializeOwned;
use toml::{
    Spanned,
    de::{DeTable, DeValue, Deserializer},
};

use super::{checksum::ChecksumRule, poll::PollRule};
use crate::{
    mistake::{Mistake, Source},
    units::parse_duration,
    words::EnumWord,
};

/// A table that comes in kinds: its `kind`, and the rest of it.
pub(super) struct KindTable<'a> {
    pub kind: Spanned<String>,
    pub rest: Spanned<DeTable<'a>>,
    pub source: Source<'a>,
}

impl<'a> KindTable<'a> {
    /// Takes the table of this name out of the file; none where the file has none.
    pub(super) fn take(source: Source<'a>, file: &mut DeTable<'a>, name: &str) -> Result<Option<Self>, Mistake> {
        let expected = || format!("expected a part [{name}] with its kind");
        let Some(mut rest) = take_table(source, file, name)? else { return Ok(None) };
        let span = rest.span();
        let kind = rest.get_mut().remove("kind").ok_or_else(|| source.mistake(span, expected()))?;
        let kind_span = kind.span();
        let DeValue::String(word) = kind.into_inner() else { return Err(source.mistake(kind_span, expected())) };
        Ok(Some(Self { kind: Spanned::new(kind_span, word.into_owned()), rest, source }))
    }

    /// Takes the table of this name, which must be there.
    pub(super) fn take_required(source: Source<'a>, file: &mut DeTable<'a>, name: &str) -> Result<Self, Mistake> {
        let missing = || source.mistake(0..0, format!("expected a part [{name}] with its kind"));
        Self::take(source, file, name)?.ok_or_else(missing)
    }

    /// Takes a length of time that tables of every kind may have.
    pub(super) fn take_time(&mut self, key: &str) -> Result<Option<Duration>, Mistake> {
        let Some(value) = self.rest.get_mut().remove(key) else { return Ok(None) };
        let span = value.span();
        let text = match value.into_inner() {
            DeValue::String(text) => text.into_owned(),
            _ => String::new(),
        };
        parse_duration(&text).map(Some).map_err(|error| self.source.mistake(span, error.to_string()))
    }

    /// Which kind it is.
    pub(super) fn kind<K: EnumWord>(&self) -> Result<K, Mistake> {
        K::of_word(self.kind.get_ref()).map_err(|error| {
            let message = format!("found the kind \"{}\", expected {}", error.found, error.expected);
            self.source.mistake(self.kind.span(), message)
        })
    }

    /// The rest of it, completed, and checked against the parts that were read before it.
    pub(super) fn read<R: KindRule>(self, parts: EarlierParts<'_>) -> Result<R, Mistake> {
        let (source, EarlierParts { checksum, poll }) = (self.source, parts);
        R::from_keys(read(source, self.rest)?, PartContext { source, kind: &self.kind, checksum, poll })
    }
}

/// What a table of one kind becomes.
pub(super) trait KindRule: Sized {
    /// The keys as the file has them: the rule itself, unless it holds something else, such as numbers in place of names.
    type Keys: DeserializeOwned;

    /// Checks what concerns several keys, or a key and another part, and completes what some take over from others.
    ///
    /// # Errors
    /// The first mistake, with its line.
    fn from_keys(keys: Self::Keys, context: PartContext<'_>) -> Result<Self, Mistake>;
}

/// The parts of a file that are read first: others may refer to them, or must agree with them.
#[derive(Clone, Copy)]
pub(super) struct EarlierParts<'a> {
    /// None where the file has none, or one of the kind "none".
    pub checksum: Option<&'a ChecksumRule>,
    pub poll: Option<&'a PollRule>,
}

/// Where a table stands, and the parts that it may refer to or must agree with.
#[derive(Clone, Copy)]
pub(super) struct PartContext<'a> {
    pub source: Source<'a>,
    /// Its kind: where a mistake is told that no key of it has.
    pub kind: &'a Spanned<String>,
    pub checksum: Option<&'a ChecksumRule>,
    pub poll: Option<&'a PollRule>,
}

/// Rules whose keys are good where each is good by itself.
macro_rules! independent_keys {
    ($($rule:ty),+) => {$(
        impl $crate::protocol::tables::KindRule for $rule {
            type Keys = Self;

            fn from_keys(
                keys: Self,
                _: $crate::protocol::tables::PartContext<'_>,
            ) -> Result<Self, $crate::mistake::Mistake> {
                Ok(keys)
            }
        }
    )+};
}
pub(super) use independent_keys;

/// Takes a table that has no kinds out of the file.
pub(super) fn take_table<'a>(
    source: Source<'a>,
    file: &mut DeTable<'a>,
    name: &str,
) -> Result<Option<Spanned<DeTable<'a>>>, Mistake> {
    let Some(part) = file.remove(name) else { return Ok(None) };
    let span = part.span();
    match part.into_inner() {
        DeValue::Table(rest) => Ok(Some(Spanned::new(span, rest))),
        _ => Err(source.mistake(span, format!("expected a part [{name}]"))),
    }
}

/// Reads a table into the type that describes it.
pub(super) fn read<T: DeserializeOwned>(source: Source<'_>, table: Spanned<DeTable<'_>>) -> Result<T, Mistake> {
    T::deserialize(Deserializer::from(table)).map_err(|error| source.toml_mistake(&error))
}
