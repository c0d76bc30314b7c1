//! Lists that stand in one column, an entry a line.

use serde::{Deserialize, Deserializer, de::Error};

/// Texts.
pub(super) fn of_texts<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<String>, D::Error> {
    Ok(String::deserialize(from)?.lines().map(str::to_owned).collect())
}

/// Values that are written as words.
pub(super) fn of_words<'de, D, T>(from: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: std::str::FromStr<Err: std::fmt::Display>,
{
    String::deserialize(from)?.lines().map(|word| word.parse().map_err(D::Error::custom)).collect()
}
