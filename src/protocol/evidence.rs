//! What a port's text has shown so far about a sign that may mean two things. One text proves nothing: it may be damaged.

/// So many texts in a row must show the same.
const LEAST_TEXTS: u8 = 2;

/// What was shown last, and how often in a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evidence<T> {
    seen: Option<(T, u8)>,
}

impl<T> Default for Evidence<T> {
    fn default() -> Self {
        Self { seen: None }
    }
}

impl<T: Copy + PartialEq> Evidence<T> {
    /// A text showed this.
    pub(super) fn add(&mut self, shown: T) {
        self.seen = match self.seen {
            Some((known, times)) if known == shown => Some((known, times.saturating_add(1).min(LEAST_TEXTS))),
            _ => Some((shown, 1)),
        };
    }

    /// What is settled, if anything.
    pub(super) fn settled(&self) -> Option<T> {
        self.seen.filter(|(_, times)| *times >= LEAST_TEXTS).map(|(shown, _)| shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twice_in_a_row_settles_it() {
        let mut evidence = Evidence::default();
        for (shown, settled) in
            [('a', None), ('a', Some('a')), ('a', Some('a')), ('b', None), ('a', None), ('a', Some('a'))]
        {
            evidence.add(shown);
            assert_eq!(evidence.settled(), settled);
        }
    }
}
