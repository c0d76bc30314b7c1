//! What was handed to the writer and is not on disk yet, in words.

use std::fmt;

use crate::session::{EventKind, Record};

/// Counts of what is not on disk yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Unwritten {
    samples: u64,
    steps: u64,
    captures: u64,
    notes: u64,
    others: u64,
}

impl Unwritten {
    /// What one record is.
    pub(super) fn of(record: &Record) -> Self {
        let mut one = Self::default();
        match record {
            Record::Samples(samples, _) => one.samples = samples.len() as u64,
            Record::StepBegan(_) => one.steps = 1,
            Record::Captured(..) => one.captures = 1,
            Record::Event(_, EventKind::Note | EventKind::Mark, ..) => one.notes = 1,
            _ => one.others = 1,
        }
        one
    }

    /// Adds what was handed over.
    pub(super) fn add(&mut self, more: Self) {
        self.samples += more.samples;
        self.steps += more.steps;
        self.captures += more.captures;
        self.notes += more.notes;
        self.others += more.others;
    }

    /// Takes off what is on disk now, or was dropped.
    pub(super) fn remove(&mut self, done: Self) {
        self.samples = self.samples.saturating_sub(done.samples);
        self.steps = self.steps.saturating_sub(done.steps);
        self.captures = self.captures.saturating_sub(done.captures);
        self.notes = self.notes.saturating_sub(done.notes);
        self.others = self.others.saturating_sub(done.others);
    }
}

impl fmt::Display for Unwritten {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counts = [
            (self.notes, "note or mark", "notes and marks"),
            (self.steps, "step", "steps"),
            (self.captures, "capture", "captures"),
            (self.samples, "sample", "samples"),
            (self.others, "other record", "other records"),
        ];
        let words: Vec<String> = counts
            .into_iter()
            .filter(|(count, ..)| *count > 0)
            .map(|(count, one, many)| format!("{count} {}", if count == 1 { one } else { many }))
            .collect();
        f.write_str(if words.is_empty() { "nothing" } else { "" })?;
        f.write_str(&words.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Mono;

    #[test]
    fn what_is_missing_is_counted_by_kind() {
        let mut unwritten = Unwritten::default();
        assert_eq!(unwritten.to_string(), "nothing");
        let note = Record::Event(Mono(0), EventKind::Note, String::new(), "oil".to_owned());
        for _ in 0..2 {
            unwritten.add(Unwritten::of(&note));
        }
        unwritten.add(Unwritten::of(&Record::Event(Mono(0), EventKind::MeterLost, String::new(), String::new())));
        assert_eq!(unwritten.to_string(), "2 notes and marks, 1 other record");
        unwritten.remove(Unwritten::of(&note));
        assert_eq!(unwritten.to_string(), "1 note or mark, 1 other record");
    }
}
