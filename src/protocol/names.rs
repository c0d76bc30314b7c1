//! The names of a port's values, met one by one: a name gets a number once and keeps it.
//!
//! Looking up costs one comparison where names come in the order of the frame before, which is
//! what boards do. Knows nothing of frames or readings.

/// More names than this on one port is garbage read as names, not a board.
pub(super) const MOST_NAMES: usize = 256;

/// A name longer than this, in bytes, is garbage too.
pub(super) const LONGEST_NAME: usize = 64;

/// The names met so far; the place of a name never changes.
#[derive(Debug, Default)]
pub(super) struct Names {
    known: Vec<String>,
    /// Where the next name is expected: behind the one found last.
    next: usize,
}

impl Names {
    /// All of them, in the order they were met.
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
        let mut names = Names::default();
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
        let mut names = Names::default();
        assert_eq!(names.number(&"x".repeat(LONGEST_NAME + 1)), None);
        for index in 0..MOST_NAMES {
            assert!(names.number(&index.to_string()).is_some());
        }
        assert_eq!(names.number("one more"), None);
        assert_eq!(names.number("7"), Some(7), "known ones still work");
    }
}
