//! Words that stand for values: in the files that people write, on screens, in exports, on the control socket and in the
//! database.
//!
//! A type has one table: the words at its variants, the usual word first, then other spellings and the words of earlier
//! versions, which are still read. The parser, what is written, the message about a mistake and the tests of the JSON schemas
//! read that table. So do the schemas of OpenAPI.
//!
//! ```text
//! #[derive(Clone, Copy, VariantArray, EnumMessage)]
//! enum Flow {
//!     #[strum(serialize = "none")]
//!     None,
//!     #[strum(serialize = "rts/cts", serialize = "lines")]
//!     Lines,
//! }
//! words!(Flow);
//! ```

use std::{
    fmt::{self, Display},
    marker::PhantomData,
    str::FromStr,
};

use serde::de::{self, Deserializer, Visitor};
use strum::{EnumMessage, VariantArray};
use utoipa::openapi::{
    RefOr,
    schema::{ObjectBuilder, Schema, Type},
};

/// A word that a key does not know.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found \"{found}\", expected {expected}")]
pub struct WordError {
    /// What was written.
    pub found: String,
    /// The words that there are.
    pub expected: String,
}

/// A value that is written as a word.
pub(crate) trait EnumWord: VariantArray + EnumMessage + Copy {
    /// Every word of the value, the usual one first.
    fn words(self) -> &'static [&'static str] {
        self.get_serializations()
    }

    /// The usual word.
    fn word(self) -> &'static str {
        self.words().first().copied().expect("strum gives each variant a word")
    }

    /// Reads a word. Capitals and the number of spaces do not matter.
    fn of_word(text: &str) -> Result<Self, WordError> {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let is_meant = |value: &&Self| value.words().iter().any(|word| word.eq_ignore_ascii_case(&flat));
        let found = Self::VARIANTS.iter().find(is_meant).copied();
        found.ok_or_else(|| WordError { found: text.to_owned(), expected: expected_words::<Self>() })
    }
}

impl<T: VariantArray + EnumMessage + Copy> EnumWord for T {}

/// The usual words of a type as a schema of OpenAPI.
pub(crate) fn word_schema<T: EnumWord>() -> RefOr<Schema> {
    let words = T::VARIANTS.iter().map(|value| value.word());
    ObjectBuilder::new().schema_type(Type::String).enum_values(Some(words)).into()
}

fn expected_words<T: EnumWord>() -> String {
    word_list(T::VARIANTS.iter().map(|value| value.word()))
}

/// `"none", "even" or "odd"`, or `one of "V DC", "V AC", …` where there are more: the usual words.
pub(crate) fn word_list<'a>(words: impl Iterator<Item = &'a str>) -> String {
    let quoted: Vec<String> = words.map(|word| format!("\"{word}\"")).collect();
    match &quoted[..] {
        many if many.len() > 3 => format!("one of {}", many.join(", ")),
        [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
        _ => quoted.concat(),
    }
}

/// Reads types by their words, from text and through serde, and writes the usual word.
///
/// With `pub` before it a type gets a method `word` of its own, for those who use the library.
macro_rules! words {
    ($(pub $kind:ty),+) => {
        $(impl $kind {
            /// The usual word, on screens, in files and in the database.
            pub fn word(self) -> &'static str {
                $crate::words::EnumWord::word(self)
            }
        })+
        $crate::words::words!($($kind),+);
    };
    ($($kind:ty),+) => {$(
        impl std::str::FromStr for $kind {
            type Err = $crate::words::WordError;

            fn from_str(text: &str) -> Result<Self, Self::Err> {
                $crate::words::EnumWord::of_word(text)
            }
        }

        impl serde::Serialize for $kind {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.serialize_str($crate::words::EnumWord::word(*self))
            }
        }

        $crate::words::from_text!($kind);

        impl utoipa::PartialSchema for $kind {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                $crate::words::word_schema::<$kind>()
            }
        }

        impl utoipa::ToSchema for $kind {}
    )+};
}
pub(crate) use words;

/// Lets serde read types from a string by their `FromStr`. A mistake in a file carries its line then.
macro_rules! from_text {
    ($($kind:ty),*) => {$(
        impl<'de> serde::Deserialize<'de> for $kind {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                $crate::words::parse_text(from)
            }
        }
    )*};
}
pub(crate) use from_text;

/// Reads a value from a string by its `FromStr`, within a visitor: the mistake has the place of its own value in a list, where
/// `try_from` would give that of the list.
pub(crate) fn parse_text<'de, D, T>(from: D) -> Result<T, D::Error>
where
    D: Deserializer<'de>,
    T: FromStr<Err: Display>,
{
    struct TextVisitor<T>(PhantomData<T>);

    impl<T: FromStr<Err: Display>> Visitor<'_> for TextVisitor<T> {
        type Value = T;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a string")
        }

        fn visit_str<E: de::Error>(self, text: &str) -> Result<T, E> {
            text.parse().map_err(E::custom)
        }
    }

    from.deserialize_str(TextVisitor(PhantomData))
}

/// Reads every word of a type back, and finds the usual ones in the message of a mistake.
#[cfg(test)]
pub(crate) fn check_every_word<T: EnumWord + PartialEq + std::fmt::Debug>() {
    let message = T::of_word("no such word").unwrap_err().to_string();
    for value in T::VARIANTS {
        assert!(message.contains(&format!("\"{}\"", value.word())), "{message}");
        for word in value.words() {
            assert_eq!(T::of_word(word).as_ref(), Ok(value));
        }
    }
}

/// Checks that a JSON schema lists all words of a type, in their order.
#[cfg(test)]
pub(crate) fn check_schema<T: EnumWord>(schema: &serde_json::Value, pointer: &str) {
    let words: Vec<&str> = T::VARIANTS.iter().flat_map(|value| value.words()).copied().collect();
    assert_eq!(schema.pointer(pointer), Some(&serde_json::json!(words)), "{pointer}");
}

/// Checks that a JSON schema gives the usual words of a type as examples.
#[cfg(test)]
pub(crate) fn check_usual_words<T: EnumWord>(schema: &serde_json::Value, pointer: &str) {
    let words: Vec<&str> = T::VARIANTS.iter().map(|value| value.word()).collect();
    assert_eq!(schema.pointer(pointer), Some(&serde_json::json!(words)), "{pointer}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, Copy, PartialEq, VariantArray, EnumMessage)]
    enum Flow {
        #[strum(serialize = "none")]
        None,
        #[strum(serialize = "rts/cts", serialize = "lines")]
        Lines,
        #[strum(serialize = "by hand")]
        ByHand,
    }
    words!(Flow);

    #[test]
    fn every_word_is_read_and_the_usual_one_is_written() {
        for (text, flow) in [("none", Flow::None), ("RTS/CTS", Flow::Lines), ("lines", Flow::Lines)] {
            assert_eq!(text.parse(), Ok(flow), "{text}");
        }
        assert_eq!(" By  hand".parse(), Ok(Flow::ByHand));
        assert_eq!(Flow::Lines.word(), "rts/cts");
    }

    #[test]
    fn a_mistake_names_the_usual_words() {
        let error = "cable".parse::<Flow>().unwrap_err();
        assert_eq!(error.to_string(), "found \"cable\", expected \"none\", \"rts/cts\" or \"by hand\"");
    }
}
