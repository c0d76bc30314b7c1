//! Marks as they are right, for what must follow a mark.

use rusqlite::Connection;

use crate::{
    procedure::{Procedure, ResponseTrigger},
    session::{CoreInput, CorrectedField},
    store::{
        StoreError,
        read::{SessionRow, StoredCorrection, StoredInput, first_row_at},
    },
};

/// A mark that was corrected, by its number among the marks of the session.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct CorrectedMark {
    number: usize,
    text: Option<String>,
    /// When, µs, and the rowid of the first sample after it.
    place: Option<(i64, i64)>,
    is_deleted: bool,
}

/// Whether anything is judged by marks.
pub(super) fn has_mark_rules(procedure: Option<&Procedure>) -> bool {
    let rules = procedure.into_iter().flat_map(|procedure| &procedure.steps).flat_map(|step| &step.responses);
    rules.into_iter().any(|rule| matches!(rule.trigger, ResponseTrigger::Mark(_)))
}

/// The marks that were corrected; `microseconds` reads a time of a correction.
pub(super) fn marks_of(
    connection: &Connection,
    session: &SessionRow,
    all: &[StoredCorrection],
    microseconds: impl Fn(&str) -> i64,
) -> Result<Vec<CorrectedMark>, StoreError> {
    let mut marks: Vec<CorrectedMark> = Vec::new();
    for one in all.iter().filter(|one| one.is_in_force()).map(|one| &one.correction) {
        let Ok(number) = one.subject.parse::<usize>() else { continue };
        let change: &dyn Fn(&mut CorrectedMark) -> Result<(), StoreError> = match one.field {
            CorrectedField::MarkText => &|mark| {
                mark.text = Some(one.value_after.clone());
                Ok(())
            },
            CorrectedField::MarkTime => &|mark| {
                let at_us = microseconds(&one.value_after);
                mark.place = Some((first_row_at(connection, session, at_us)?, at_us));
                Ok(())
            },
            CorrectedField::MarkDeleted => &|mark| {
                mark.is_deleted = true;
                Ok(())
            },
            _ => continue,
        };
        let index = match marks.iter().position(|mark| mark.number == number) {
            Some(index) => index,
            None => {
                marks.push(CorrectedMark { number, ..CorrectedMark::default() });
                marks.len() - 1
            }
        };
        change(&mut marks[index])?;
    }
    Ok(marks)
}

/// The inputs with the marks as they are right: another text, another place, or left out.
pub(super) fn with_marks(inputs: Vec<StoredInput>, marks: &[CorrectedMark]) -> Vec<StoredInput> {
    if marks.is_empty() {
        return inputs;
    }
    let (mut right, mut moved, mut number) = (Vec::with_capacity(inputs.len()), Vec::new(), 0);
    for mut stored in inputs {
        if let CoreInput::Mark(text) = &mut stored.input {
            number += 1;
            if let Some(mark) = marks.iter().find(|mark| mark.number == number) {
                if mark.is_deleted {
                    continue;
                }
                if let Some(other) = &mark.text {
                    text.clone_from(other);
                }
                if let Some((next_row, at_us)) = mark.place {
                    moved.push(StoredInput { next_row, at_us, ..stored });
                    continue;
                }
            }
        }
        right.push(stored);
    }
    for stored in moved {
        let place = (stored.next_row, stored.at_us);
        // The bench's state comes first, whatever its time.
        let index = right.iter().skip(1).position(|other| (other.next_row, other.at_us) > place);
        right.insert(index.map_or(right.len(), |index| index + 1), stored);
    }
    right
}
