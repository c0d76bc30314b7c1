//! What is right by the corrections that are not undone: visit, steps, captures that count.

use rusqlite::Connection;

use crate::{
    clock::Mono,
    judging::{again::JudgingError, timeline::StepRun},
    session::{CorrectedField, Correction, StepExit, Visit, VoidCapture},
    store::read::{SessionRow, StepRow, StoredCorrection, first_row_at},
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
) -> Result<Vec<StepRun>, JudgingError> {
    let mut runs = StepRun::of_steps(steps);
    for one in in_force(all) {
        let Ok(number) = one.subject.parse::<i64>() else { continue };
        let Some(place) = runs.iter().position(|run| run.number == number) else { continue };
        match one.field {
            CorrectedField::Step => runs[place].name.clone_from(&one.value_after),
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
