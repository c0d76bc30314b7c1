//! Mistakes in the files that people write, told with file, line, what was found and what was expected.

use std::{fmt::Display, ops::Range, str::FromStr};

use serde::de::DeserializeOwned;
use toml::Spanned;

/// One mistake in a bench, procedure or protocol file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{file}, line {line}: {message}")]
pub struct Mistake {
    /// The file as the user named it.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// What was found and what was expected.
    pub message: String,
}

impl Mistake {
    /// A mistake at a span of the text, as `toml::Spanned` gives it.
    pub fn at(file: &str, text: &str, span: Range<usize>, message: impl Into<String>) -> Self {
        Self { file: file.to_owned(), line: line_of(text, span.start), message: message.into() }
    }
}

/// A file's name and text, to tell where in it a mistake is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    /// The file as the user named it.
    pub file: &'a str,
    /// All of it.
    pub text: &'a str,
}

impl Source<'_> {
    /// A mistake at a span of the text.
    pub(crate) fn mistake(&self, span: Range<usize>, message: impl Into<String>) -> Mistake {
        Mistake::at(self.file, self.text, span, message)
    }

    /// Parses a string of the file; a mistake carries its line.
    pub(crate) fn parse<T: FromStr<Err: Display>>(&self, value: &Spanned<String>) -> Result<T, Mistake> {
        value.get_ref().parse().map_err(|error: T::Err| self.mistake(value.span(), error.to_string()))
    }
}

/// Reads a TOML file into the types that describe it.
pub(crate) fn parse_toml<T: DeserializeOwned>(file: &str, text: &str) -> Result<T, Mistake> {
    toml::from_str(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        Mistake::at(file, text, span, error.message().trim().replace('\n', "; "))
    })
}

fn line_of(text: &str, offset: usize) -> usize {
    1 + text.as_bytes()[..offset.min(text.len())].iter().filter(|b| **b == b'\n').count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measure;

    #[derive(serde::Deserialize, Debug)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code, reason = "only whether it can be read is tested")]
    struct File {
        limit: Measure,
    }

    #[test]
    fn the_line_of_a_wrong_value_is_told() {
        let mistake = parse_toml::<File>("p.toml", "# a\n\nlimit = \"11.8\"\n").unwrap_err();
        assert_eq!(
            mistake.to_string(),
            "p.toml, line 3: found \"11.8\", expected a number and a unit, such as \"11.8 V\""
        );
    }

    #[test]
    fn the_line_of_a_wrong_key_is_told() {
        let mistake = parse_toml::<File>("p.toml", "limit = \"1 V\"\nlimits = 3\n").unwrap_err();
        assert_eq!(mistake.line, 2);
        assert!(mistake.message.contains("`limits`") && mistake.message.contains("`limit`"), "{mistake}");
    }
}
