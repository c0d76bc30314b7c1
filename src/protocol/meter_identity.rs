//! A meter's identification: maker, model, serial number, whatever its answer carries, as text.
//!
//! Keeps its memory when it is cleared.

use super::problem::Defect;

/// More bytes than this are no name. IEEE 488.2 allows 72 (from memory); not every maker keeps to it.
const LONGEST_IDENTITY: usize = 128;

/// Identification texts, and where among the frames each came.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct MeterIdentities {
    /// One behind the other.
    text: String,
    each: Vec<TextEnd>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct TextEnd {
    end: usize,
    before: usize,
}

impl MeterIdentities {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.each.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.each.is_empty()
    }

    /// The texts in order, each with the number of frames that came before it.
    pub fn iter(&self) -> impl Iterator<Item = (usize, &str)> {
        let begins = std::iter::once(0).chain(self.each.iter().map(|end_of| end_of.end));
        self.each.iter().zip(begins).map(|(end_of, begin)| (end_of.before, &self.text[begin..end_of.end]))
    }

    /// The last one.
    pub fn last(&self) -> Option<&str> {
        let before = self.each.len().checked_sub(2).map_or(0, |index| self.each[index].end);
        self.each.last().map(|end_of| &self.text[before..end_of.end])
    }

    pub(super) fn clear(&mut self) {
        self.truncate(0);
    }

    /// Removes all but the first.
    pub(super) fn truncate(&mut self, count: usize) {
        self.each.truncate(count);
        self.text.truncate(self.each.last().map_or(0, |end_of| end_of.end));
    }

    /// Adds a text that came after this many frames, if it is readable.
    #[inline]
    pub(super) fn add(&mut self, bytes: &[u8], before: usize) -> Result<(), Defect> {
        let text = std::str::from_utf8(bytes).map_err(|_| Defect::NotText)?;
        if text.len() > LONGEST_IDENTITY || text.chars().any(char::is_control) {
            return Err(Defect::NotReadable { longest: LONGEST_IDENTITY });
        }
        self.text.push_str(text);
        self.each.push(TextEnd { end: self.text.len(), before });
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_stay_apart() {
        let mut said = MeterIdentities::default();
        assert_eq!((said.last(), said.len()), (None, 0));
        for (text, before) in [("one", 0), ("", 2), ("three", 2)] {
            said.add(text.as_bytes(), before).unwrap();
        }
        assert_eq!(said.iter().collect::<Vec<_>>(), [(0, "one"), (2, ""), (2, "three")]);
        assert_eq!(said.last(), Some("three"));
        said.truncate(1);
        assert_eq!((said.last(), said.is_empty()), (Some("one"), false));
        said.clear();
        assert!(said.is_empty());
    }

    #[test]
    fn only_what_people_can_read_is_kept() {
        let mut said = MeterIdentities::default();
        let long = "x".repeat(LONGEST_IDENTITY);
        assert_eq!(said.add(long.as_bytes(), 0), Ok(()));
        for (bytes, wrong) in [
            ([long.as_bytes(), b"x"].concat(), Defect::NotReadable { longest: LONGEST_IDENTITY }),
            (b"Works\x1b[2J,1".to_vec(), Defect::NotReadable { longest: LONGEST_IDENTITY }),
            ("Works\u{85},1".into(), Defect::NotReadable { longest: LONGEST_IDENTITY }),
            (b"Works \xff,1".to_vec(), Defect::NotText),
        ] {
            assert_eq!(said.add(&bytes, 0), Err(wrong), "{bytes:?}");
        }
        assert_eq!(said.len(), 1);
    }
}
