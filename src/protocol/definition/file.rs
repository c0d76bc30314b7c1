//! Reading a protocol file: its parts, and mistakes told with their line.
//!
//! A part that comes in kinds is read in two steps, first its kind and then the rest, so that a
//! mistake within it is told with its own line.

use std::{ops::Range, time::Duration};

use regex::bytes::{Regex, RegexBuilder};
use serde::{Deserialize, de::DeserializeOwned};
use toml::{
    Spanned,
    de::{DeTable, DeValue, Deserializer},
};

use crate::{
    mistake::{Mistake, Source},
    protocol::{
        decode::Bit,
        names::{LONGEST_NAME, MOST_NAMES},
        number::OVERLOAD_WORDS,
    },
    units::parse_duration,
};

/// A part that comes in kinds: which kind, and the rest of it.
pub(super) struct Part<'a> {
    pub kind: Spanned<String>,
    pub rest: Spanned<DeTable<'a>>,
}

/// The file being read, for telling mistakes.
#[derive(Clone, Copy)]
pub(super) struct File<'a> {
    pub origin: &'a str,
    pub text: &'a str,
}

/// Units of a device's clock.
#[derive(Deserialize, Clone, Copy)]
pub(super) enum TimeUnit {
    #[serde(rename = "s")]
    Second,
    #[serde(rename = "ms")]
    Millisecond,
    #[serde(rename = "us")]
    Microsecond,
}

impl TimeUnit {
    /// How many of it are a second: dividing by it rounds once.
    pub(super) fn in_a_second(self) -> f64 {
        match self {
            Self::Second => 1.0,
            Self::Millisecond => 1e3,
            Self::Microsecond => 1e6,
        }
    }

    /// Seconds after which a counter of so many bits begins again.
    pub(super) fn period_s(self, bits: u32) -> f64 {
        f64::from(bits).exp2() / self.in_a_second()
    }
}

impl<'a> File<'a> {
    pub(super) fn mistake(&self, span: Range<usize>, message: impl Into<String>) -> Mistake {
        Mistake::at(self.origin, self.text, span, message)
    }

    pub(super) fn toml(&self, error: &toml::de::Error) -> Mistake {
        Source { file: self.origin, text: self.text }.toml_mistake(error)
    }

    pub(super) fn read<T: DeserializeOwned>(&self, table: Spanned<DeTable<'a>>) -> Result<T, Mistake> {
        T::deserialize(Deserializer::from(table)).map_err(|error| self.toml(&error))
    }

    /// A part that must be there.
    pub(super) fn part(&self, table: &mut DeTable<'a>, name: &str) -> Result<Part<'a>, Mistake> {
        let expected = || self.mistake(0..0, format!("expected a part [{name}] with its kind"));
        self.optional_part(table, name)?.ok_or_else(expected)
    }

    pub(super) fn optional_part(&self, table: &mut DeTable<'a>, name: &str) -> Result<Option<Part<'a>>, Mistake> {
        let expected = || format!("expected a part [{name}] with its kind");
        let Some(mut rest) = self.optional_table(table, name)? else { return Ok(None) };
        let span = rest.span();
        let kind = rest.get_mut().remove("kind").ok_or_else(|| self.mistake(span, expected()))?;
        let kind_span = kind.span();
        let DeValue::String(word) = kind.into_inner() else { return Err(self.mistake(kind_span, expected())) };
        Ok(Some(Part { kind: Spanned::new(kind_span, word.into_owned()), rest }))
    }

    pub(super) fn optional_table(
        &self,
        table: &mut DeTable<'a>,
        name: &str,
    ) -> Result<Option<Spanned<DeTable<'a>>>, Mistake> {
        let Some(part) = table.remove(name) else { return Ok(None) };
        let span = part.span();
        match part.into_inner() {
            DeValue::Table(rest) => Ok(Some(Spanned::new(span, rest))),
            _ => Err(self.mistake(span, format!("expected a part [{name}]"))),
        }
    }

    pub(super) fn unknown_kind(&self, kind: &Spanned<String>, known: &str) -> Mistake {
        self.mistake(kind.span(), format!("found the kind \"{}\", expected {known}", kind.get_ref()))
    }

    /// The names of values; an empty one says that its column is passed over.
    pub(super) fn value_names(&self, names: &Spanned<Vec<String>>) -> Result<Vec<String>, Mistake> {
        let list = names.get_ref();
        if list.is_empty() || list.len() > MOST_NAMES {
            return Err(self.mistake(names.span(), format!("expected 1 to {MOST_NAMES} names")));
        }
        for (index, name) in list.iter().enumerate().filter(|(_, name)| !name.is_empty()) {
            self.value_name(name, names.span())?;
            if list[..index].contains(name) {
                return Err(self.mistake(names.span(), format!("found the name \"{name}\" twice")));
            }
        }
        Ok(list.clone())
    }

    pub(super) fn value_name(&self, name: &str, span: Range<usize>) -> Result<String, Mistake> {
        let is_good = !name.trim().is_empty() && name.len() <= LONGEST_NAME && !name.contains(char::is_control);
        let wrong = || self.mistake(span, format!("found the name \"{name}\", expected 1 to {LONGEST_NAME} letters"));
        is_good.then(|| name.to_owned()).ok_or_else(wrong)
    }

    /// The name of a frame's only value.
    pub(super) fn only_name(&self, name: Option<Spanned<String>>) -> Result<[String; 1], Mistake> {
        match name {
            Some(name) => Ok([self.value_name(name.get_ref(), name.span())?]),
            None => Ok(["value".to_owned()]),
        }
    }

    /// A byte counted from 1, as files have it, counted from 0.
    pub(super) fn place(&self, at: &Spanned<usize>) -> Result<usize, Mistake> {
        let wrong = || self.mistake(at.span(), "expected a byte of the frame, counted from 1");
        at.get_ref().checked_sub(1).filter(|at| *at < LONGEST_FRAME).ok_or_else(wrong)
    }

    /// A bit as byte and bit: `"3.0"`.
    pub(super) fn bit(&self, text: &Spanned<String>) -> Result<Bit, Mistake> {
        let bit = bit(text.get_ref());
        bit.ok_or_else(|| {
            let found = text.get_ref();
            self.mistake(
                text.span(),
                format!("found \"{found}\", expected a byte from 1 and a bit from 0, as in \"3.0\""),
            )
        })
    }

    pub(super) fn hex(&self, text: &Spanned<String>) -> Result<Vec<u8>, Mistake> {
        bytes_of_hex(text.get_ref()).ok_or_else(|| self.mistake(text.span(), "expected pairs of hexadecimal digits"))
    }

    pub(super) fn duration(&self, text: &Spanned<String>) -> Result<Duration, Mistake> {
        parse_duration(text.get_ref()).map_err(|error| self.mistake(text.span(), error.to_string()))
    }

    pub(super) fn pattern(&self, text: &Spanned<String>) -> Result<Regex, Mistake> {
        // Bytes, not characters: a damaged byte must not keep the rest from being read.
        let pattern = RegexBuilder::new(text.get_ref()).unicode(false).size_limit(1 << 20).build();
        pattern.map_err(|error| {
            let words = error.to_string();
            let last = words.lines().last().unwrap_or_default().trim();
            self.mistake(text.span(), format!("expected a regular expression: {last}"))
        })
    }

    /// Text that is not empty, as bytes.
    pub(super) fn filled(&self, text: Option<Spanned<String>>, name: &str) -> Result<Option<Vec<u8>>, Mistake> {
        match text {
            Some(text) if text.get_ref().is_empty() => {
                Err(self.mistake(text.span(), format!("found an empty {name}, expected at least one character")))
            }
            text => Ok(text.map(|text| text.into_inner().into_bytes())),
        }
    }

    /// A number of bits of a counter.
    pub(super) fn bits(&self, bits: &Spanned<u32>) -> Result<u32, Mistake> {
        let wrong = || self.mistake(bits.span(), "expected 1 to 64 bits");
        (1..=64).contains(bits.get_ref()).then_some(*bits.get_ref()).ok_or_else(wrong)
    }
}

/// Frames are no longer than this, bytes.
pub(super) const LONGEST_FRAME: usize = 65_536;

pub(super) fn bit(text: &str) -> Option<Bit> {
    let (byte, bit) = text.split_once('.')?;
    let byte = byte.parse::<usize>().ok()?.checked_sub(1).filter(|byte| *byte < LONGEST_FRAME)?;
    let bit = bit.parse::<u32>().ok().filter(|bit| *bit < 8)?;
    Some(Bit { byte, mask: 1 << bit })
}

pub(super) fn bytes_of_hex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_digit(16).map(|d| d as u8)).collect::<Option<_>>()?;
    digits.len().is_multiple_of(2).then(|| digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}

/// The words for too much: those of the file, or the usual ones.
pub(super) fn overload(words: Option<Vec<String>>) -> Vec<String> {
    let mut words = words.unwrap_or_else(|| OVERLOAD_WORDS.map(str::to_owned).to_vec());
    words.retain(|word| !word.is_empty());
    words
}
