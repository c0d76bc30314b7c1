//! What is right by the corrections that are not undone: visit, steps, captures that count.

use rusqlite::Connection;

use crate::{
    clock::Mono,
    judging::timeline::StepRun,
    session::{CorrectedField, Correction, StepExit, Visit, VoidCapture},
    store::{
        StoreError,
        read::{SessionRow, StepRow, StoredCorrection, first_row_at},
    },
};

pub(super) fn in_force(all: &[StoredCorrection]) -> impl Iterator<Item = &Correction> {
    all.iter().filter(|one| one.is_in_force()).map(|one| &one.correction)
}

/// Whether the machine is known to be good.
pub(super) fn is_known_good(all: &[StoredCorrection]) -> bool {
    in_force(all).filter(|one| one.field == CorrectedField::Good).last().is_some_and(|one| one.value_after == "yes")
}

/// The visit as it is right.
pub(in crate::judging) fn visit_of(recorded: Visit, all: &[StoredCorrection]) -> Visit {
    let mut visit = recorded;
    for one in in_force(all) {
        one.field.put(&mut visit, &one.value_after);
    }
    visit
}

/// The steps as they are right.
pub(in crate::judging) fn runs_of(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    all: &[StoredCorrection],
) -> Result<Vec<StepRun>, StoreError> {
    let mut runs = StepRun::of_steps(steps);
    for one in in_force(all) {
        let Ok(number) = one.subject.parse::<i64>() else { continue };
        // Of a step that was split several parts have its number. The name is another one where an earlier correction was undone.
        let named = runs.iter().position(|run| run.number == number && run.name == one.value_before);
        let Some(place) = named.or(runs.iter().position(|run| run.number == number)) else { continue };
        match one.field {
            CorrectedField::Step => runs[place].name.clone_from(&one.value_after),
            CorrectedField::Capture => {
                let Some(stretch) = FiledStretch::of(&one.value_before) else { continue };
                let row_at = |at_us| first_row_at(connection, session, at_us);
                let to = stretch.to_us.map(|to_us| row_at(to_us).map(|row| (to_us, row))).transpose()?;
                file_stretch(&mut runs, number, (stretch.from_us, row_at(stretch.from_us)?), to, &one.value_after);
            }
            CorrectedField::StepBegin => {
                let at_us = microseconds(&one.value_after);
                let row = first_row_at(connection, session, at_us)?;
                // The step before ends there, where it ended with this one's begin.
                let was = runs[place].place();
                if let Some(before) = place.checked_sub(1).and_then(|before| runs.get_mut(before))
                    && before.ended.is_some_and(|(ended_us, next_row)| (next_row, ended_us) == was)
                {
                    before.ended = Some((at_us, row));
                }
                (runs[place].began_us, runs[place].first_row) = (at_us, row);
            }
            CorrectedField::StepDeleted if place > 0 => {
                let gone = runs.remove(place);
                let before = &mut runs[place - 1];
                (before.ended, before.left) = (gone.ended, gone.left);
                if gone.ended.is_none() {
                    before.left = StepExit::SessionEnd;
                }
            }
            _ => {}
        }
    }
    Ok(runs)
}

/// A part of a step that belongs to another one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FiledStretch {
    /// Since the session began, µs.
    pub from_us: i64,
    /// None where it ends with the step.
    pub to_us: Option<i64>,
}

/// Stands for the end of a stretch that ends with its step.
const ITS_END: &str = "its end";

impl std::fmt::Display for FiledStretch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let to = self.to_us.map_or(ITS_END.to_owned(), seconds);
        write!(f, "{} to {to}", seconds(self.from_us))
    }
}

impl FiledStretch {
    /// Out of a correction: the name that it was filed under, then the stretch.
    pub(super) fn of(text: &str) -> Option<Self> {
        let (from, to) = text.rsplit_once(", ")?.1.split_once(" to ")?;
        Some(Self { from_us: microseconds(from), to_us: (to != ITS_END).then(|| microseconds(to)) })
    }
}

/// Files a part of the step of this number under another name; what is left of it before and after stays.
fn file_stretch(runs: &mut Vec<StepRun>, number: i64, from: (i64, i64), to: Option<(i64, i64)>, name: &str) {
    let is_it = |run: &StepRun| run.number == number && run.began_us <= from.0;
    let Some(place) = runs.iter().rposition(is_it) else { return };
    let whole = runs[place].clone();
    let to = to.filter(|(to_us, _)| whole.ended.is_none_or(|(ended_us, _)| *to_us < ended_us));
    let mut parts = Vec::new();
    let mut filed = StepRun { name: name.to_owned(), ..whole.clone() };
    if from.0 > whole.began_us {
        parts.push(StepRun { ended: Some(from), left: StepExit::Done, ..whole.clone() });
        (filed.began_us, filed.first_row) = from;
    }
    match to {
        None => parts.push(filed),
        Some((to_us, row)) => {
            parts.push(StepRun { ended: Some((to_us, row)), left: StepExit::Done, ..filed });
            parts.push(StepRun { began_us: to_us, first_row: row, ..whole });
        }
    }
    runs.splice(place..=place, parts);
}

/// The captures that don't count.
pub(in crate::judging) fn void_of(all: &[StoredCorrection]) -> Vec<VoidCapture> {
    let voids = in_force(all).filter(|one| one.field == CorrectedField::Void).filter_map(|one| {
        let (how, at) = one.value_before.split_once(' ')?;
        Some(VoidCapture { how: how.parse().ok()?, at: Mono(microseconds(at)), why: one.value_after.clone() })
    });
    voids.collect()
}

/// A time in a correction: seconds since the session began, to the microsecond.
pub(super) fn seconds(us: i64) -> String {
    let sign = if us < 0 { "-" } else { "" };
    format!("{sign}{}.{:06} s", us.unsigned_abs() / 1_000_000, us.unsigned_abs() % 1_000_000)
}

/// The same, read back.
pub(super) fn microseconds(text: &str) -> i64 {
    let number = text.trim().trim_end_matches('s').trim();
    number.parse::<f64>().map_or(0, |seconds| (seconds * 1e6).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_come_back_to_the_microsecond() {
        for us in [0, 1, 61_500_000, 86_399_999_999, -3] {
            assert_eq!(microseconds(&seconds(us)), us);
        }
        assert_eq!(seconds(61_500_000), "61.500000 s");
    }

    #[test]
    fn a_part_of_a_step_goes_to_another_one_and_the_rest_stays() {
        let run = |number, name: &str, began_us, first_row, ended| StepRun {
            number,
            name: name.to_owned(),
            began_us,
            first_row,
            ended,
            left: StepExit::Skipped,
        };
        let whole = || vec![run(1, "a", 0, 1, Some((100, 11))), run(2, "b", 100, 11, None)];
        for (number, from, to, expected) in [
            (1, (0, 1), Some((40, 5)), vec![("c", 0, Some(40)), ("a", 40, Some(100)), ("b", 100, None)]),
            (1, (40, 5), None, vec![("a", 0, Some(40)), ("c", 40, Some(100)), ("b", 100, None)]),
            (
                1,
                (40, 5),
                Some((60, 7)),
                vec![("a", 0, Some(40)), ("c", 40, Some(60)), ("a", 60, Some(100)), ("b", 100, None)],
            ),
            (2, (140, 15), None, vec![("a", 0, Some(100)), ("b", 100, Some(140)), ("c", 140, None)]),
            (7, (140, 15), None, vec![("a", 0, Some(100)), ("b", 100, None)]),
        ] {
            let mut runs = whole();
            file_stretch(&mut runs, number, from, to, "c");
            let parts: Vec<_> =
                runs.iter().map(|run| (&*run.name, run.began_us, run.ended.map(|ended| ended.0))).collect();
            assert_eq!(parts, expected);
            assert_eq!(runs.last().unwrap().left, StepExit::Skipped);
        }
        for stretch in [FiledStretch { from_us: 1, to_us: None }, FiledStretch { from_us: 5, to_us: Some(7) }] {
            assert_eq!(FiledStretch::of(&format!("feed, front, {stretch}")), Some(stretch));
        }
    }

    #[test]
    fn the_last_correction_of_a_field_counts_and_an_undone_one_does_not() {
        let one = |field, after: &str| {
            StoredCorrection::new(
                0,
                Correction {
                    made_by: String::new(),
                    field,
                    subject: String::new(),
                    value_before: String::new(),
                    value_after: after.to_owned(),
                },
            )
        };
        let mut all = vec![
            one(CorrectedField::Machine, "loader 8"),
            one(CorrectedField::Part, "63"),
            one(CorrectedField::Machine, "loader 9"),
            one(CorrectedField::Good, "yes"),
        ];
        let visit = visit_of(Visit::default(), &all);
        assert_eq!((visit.machine.as_str(), visit.part_celsius), ("loader 9", Some(63.0)));
        assert!(is_known_good(&all));
        all[2].undone_us = Some(1);
        all[3].undone_us = Some(1);
        assert_eq!(visit_of(Visit::default(), &all).machine, "loader 8");
        assert!(!is_known_good(&all));
    }
}
