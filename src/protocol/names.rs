//! The names of a port's values: a name gets a number when it first comes and keeps it.
//!
//! Looking up costs one comparison where names come in the order of the frame before, which is
//! what boards do. Knows nothing of frames or readings.

use std::str::FromStr;

use serde::Deserialize;

use crate::words::from_text;

/// More names than this on one port is garbage read as names, not a board.
pub(super) const MOST_NAMES: usize = 256;

/// A name longer than this, in bytes, is garbage too.
pub(super) const LONGEST_NAME: usize = 64;

/// The name of a value, as a file gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ValueName(pub String);

impl Default for ValueName {
    fn default() -> Self {
        Self("value".to_owned())
    }
}

impl FromStr for ValueName {
    type Err = String;

    fn from_str(name: &str) -> Result<Self, String> {
        if name.trim().is_empty() || name.len() > LONGEST_NAME || name.contains(char::is_control) {
            return Err(format!("found the name \"{name}\", expected 1 to {LONGEST_NAME} letters"));
        }
        Ok(Self(name.to_owned()))
    }
}

from_text!(ValueName);

/// The names of columns; a column with an empty name is skipped.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "Vec<String>")]
pub(super) struct ColumnNames(pub Vec<String>);

impl TryFrom<Vec<String>> for ColumnNames {
    type Error = String;

    fn try_from(names: Vec<String>) -> Result<Self, String> {
        if names.is_empty() || names.len() > MOST_NAMES {
            return Err(format!("expected 1 to {MOST_NAMES} names"));
        }
        for (index, name) in names.iter().enumerate().filter(|(_, name)| !name.is_empty()) {
            ValueName::from_str(name)?;
            if names[..index].contains(name) {
                return Err(format!("found the name \"{name}\" twice"));
            }
        }
        Ok(Self(names))
    }
}

/// The names so far; the number of a name never changes.
#[derive(Debug, Default)]
pub(super) struct NameTable {
    known: Vec<String>,
    /// Where the next name is expected: behind the one found last.
    next: usize,
}

impl NameTable {
    /// All of them, in the order they came.
    pub(super) fn all(&self) -> &[String] {
        &self.known
    }

    /// A new frame begins: expect the first name.
    pub(super) fn begin(&mut self) {
        self.next = 0;
    }

    /// The number of a name, given to it now where it is new. None where there are too many, or
    /// where it is too long to be one.
    pub(super) fn number(&mut self, name: &str) -> Option<u16> {
        let at = match self.known.get(self.next) {
            Some(expected) if expected == name => self.next,
            _ => match self.known.iter().position(|known| known == name) {
                Some(at) => at,
                None if self.known.len() < MOST_NAMES && name.len() <= LONGEST_NAME => {
                    self.known.push(name.to_owned());
                    self.known.len() - 1
                }
                None => return None,
            },
        };
        self.next = at + 1;
        Some(at as u16)
    }

    /// Takes back the names that a refused frame brought, so that garbage does not use them up.
    pub(super) fn forget_from(&mut self, count: usize) {
        self.known.truncate(count);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_keeps_its_number() {
        let mut names = NameTable::default();
        for order in [["a", "b", "c"], ["c", "a", "b"], ["a", "b", "c"]] {
            names.begin();
            for name in order {
                assert_eq!(names.number(name), Some(u16::from(name.as_bytes()[0] - b'a')));
            }
        }
        assert_eq!(names.all(), ["a", "b", "c"]);
    }

    #[test]
    fn their_count_and_length_are_bounded() {
        let mut names = NameTable::default();
        assert_eq!(names.number(&"x".repeat(LONGEST_NAME + 1)), None);
        for index in 0..MOST_NAMES {
            assert!(names.number(&index.to_string()).is_some());
        }
        assert_eq!(names.number("one more"), None);
        assert_eq!(names.number("7"), Some(7), "known ones still work");
    }
}
