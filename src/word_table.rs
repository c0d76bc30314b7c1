//! Words of files, each set declared once: the enum, its parser, its message and the list of its words come from one table.

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error as _};

/// Declares an enum, each of whose variants is a word that people write.
///
/// ```text
/// word_table! {
///     /// Which byte of a number comes first.
///     pub(super) enum ByteOrder {
///         /// The least significant.
///         Little = "little",
///         /// The most significant.
///         Big = "big",
///     }
/// }
/// ```
macro_rules! word_table {
    ($(#[$meta:meta])* $vis:vis enum $name:ident {
        $($(#[$variant_meta:meta])* $variant:ident = $word:literal),+ $(,)?
    }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        $vis enum $name {
            $($(#[$variant_meta])* $variant),+
        }

        impl $crate::word_table::WordTable for $name {
            const TABLE: &'static [(&'static str, Self)] = &[$(($word, Self::$variant)),+];
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                $crate::word_table::deserialize(from)
            }
        }
    };
}
pub(crate) use word_table;

/// A set of words.
pub(crate) trait WordTable: Copy + PartialEq + 'static {
    /// Each word with what it means.
    const TABLE: &'static [(&'static str, Self)];

    /// What a word means.
    ///
    /// # Errors
    /// No such word.
    fn from_word(word: &str) -> Result<Self, UnknownWord> {
        let known = Self::TABLE.iter().find(|(known, _)| *known == word);
        let unknown =
            || UnknownWord { found: word.to_owned(), known: word_list(Self::TABLE.iter().map(|(word, _)| *word)) };
        known.map(|(_, meaning)| *meaning).ok_or_else(unknown)
    }

    /// The word for this.
    fn word(self) -> &'static str {
        let found = Self::TABLE.iter().find(|(_, known)| *known == self);
        found.map(|(word, _)| *word).expect("the macro puts every variant into the table")
    }
}

/// A word that is not in its table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct UnknownWord {
    /// As it was written.
    pub found: String,
    /// The words of the table, as a message lists them.
    pub known: String,
}

impl fmt::Display for UnknownWord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "found \"{}\", expected {}", self.found, self.known)
    }
}

impl std::error::Error for UnknownWord {}

/// Reads a word from a file.
pub(crate) fn deserialize<'de, T: WordTable, D: Deserializer<'de>>(from: D) -> Result<T, D::Error> {
    T::from_word(&String::deserialize(from)?).map_err(D::Error::custom)
}

/// `"a"`, `"a" or "b"`, `one of "a", "b", "c"`.
pub(crate) fn word_list<'a>(words: impl Iterator<Item = &'a str>) -> String {
    let quoted: Vec<String> = words.map(|word| format!("\"{word}\"")).collect();
    match &quoted[..] {
        [one, other] => format!("{one} or {other}"),
        [_, _, ..] => format!("one of {}", quoted.join(", ")),
        _ => quoted.concat(),
    }
}

/// Reads every word of a table back, for the tests of those who declare one.
#[cfg(test)]
pub(crate) fn check_every_word<T: WordTable + fmt::Debug>() {
    assert!(!T::TABLE.is_empty());
    for (word, meaning) in T::TABLE {
        assert_eq!(T::from_word(word).as_ref(), Ok(meaning));
        assert_eq!(meaning.word(), *word);
    }
    let message = T::from_word("no such word").unwrap_err().to_string();
    assert!(T::TABLE.iter().all(|(word, _)| message.contains(&format!("\"{word}\""))), "{message}");
}
