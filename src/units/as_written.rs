//! A value together with the text that a person wrote for it.

use std::str::FromStr;

/// A value and its text: the bench file, the database and exports keep the text, calculations use the value.
#[derive(Debug, Clone, PartialEq)]
pub struct AsWritten<T> {
    /// What the text means.
    pub value: T,
    /// As it was written, without blanks at its ends.
    pub text: String,
}

impl<T: FromStr> FromStr for AsWritten<T> {
    type Err = T::Err;

    fn from_str(text: &str) -> Result<Self, T::Err> {
        Ok(Self { value: text.parse()?, text: text.trim().to_owned() })
    }
}

impl<'de, T: FromStr<Err: std::fmt::Display>> serde::Deserialize<'de> for AsWritten<T> {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}
