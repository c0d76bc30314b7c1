//! The words of an enum: one table for screens, exports, the control socket and the database.

/// Gives an enum its words: `word`, `from_word`, and both through serde. What follows a `|` is the word of an earlier
/// version, which is still read.
macro_rules! word_table {
    ($kind:ident: $($variant:ident = $word:literal $(| $earlier:literal)*),+ $(,)?) => {
        impl $kind {
            /// The word on screens, in exports, on the control socket and in the database.
            pub const fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)+
                }
            }

            /// The variant of a word; words of earlier versions are read as well.
            pub fn from_word(word: &str) -> Option<Self> {
                match word {
                    $($word $(| $earlier)* => Some(Self::$variant),)+
                    _ => None,
                }
            }
        }

        impl serde::Serialize for $kind {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.serialize_str(self.word())
            }
        }

        impl<'de> serde::Deserialize<'de> for $kind {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                let word = <std::borrow::Cow<'de, str>>::deserialize(from)?;
                let unknown = || serde::de::Error::unknown_variant(&word, &[$($word),+]);
                Self::from_word(&word).ok_or_else(unknown)
            }
        }
    };
}

pub(in crate::session) use word_table;
