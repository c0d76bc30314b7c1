//! The corrections of a session in words that name a step as the ledger did when it was corrected.

use rusqlite::Connection;

use super::{
    in_force::{FiledStretch, microseconds, runs_of},
    step_label::LabelledRun,
};
use crate::{
    judging::again::procedure_in_force,
    session::{CorrectedField, Correction},
    store::{
        StoreError,
        read::{self, JudgementOf, SessionRow, StoredCorrection, corrections},
    },
};

/// All corrections of a session, oldest first, those that were undone too, each in words.
///
/// # Errors
/// The session can't be read.
pub(crate) fn corrections_in_words(
    connection: &Connection,
    session: &SessionRow,
) -> Result<Vec<(StoredCorrection, String)>, StoreError> {
    let all = corrections(connection, session.id)?;
    let texts = (0..all.len()).map(|at| in_words(connection, session, &all[..at], &all[at].correction));
    let texts = texts.collect::<Result<Vec<String>, StoreError>>()?;
    Ok(all.into_iter().zip(texts).collect())
}

/// A correction in words, after those that were made before it.
pub(super) fn in_words(
    connection: &Connection,
    session: &SessionRow,
    before: &[StoredCorrection],
    correction: &Correction,
) -> Result<String, StoreError> {
    if !correction.field.is_of_step() {
        return Ok(correction.to_string());
    }
    let steps = read::steps(connection, JudgementOf::first(session.id))?;
    let runs = runs_of(connection, session, &steps, before)?;
    // One that can't be read any more keeps no session from being shown: its steps are counted then.
    let procedure = procedure_in_force(connection, session).unwrap_or_default();
    let labels = LabelledRun::all(&runs, procedure.as_ref());
    let label = labels.iter().find(|label| is_of(label, correction));
    Ok(label.map_or_else(|| correction.to_string(), |label| correction.words(&format!("step {label}"))))
}

/// Whether a correction is of this step.
fn is_of(label: &LabelledRun, correction: &Correction) -> bool {
    let run = &label.run;
    let is_it = match correction.field {
        CorrectedField::Capture => {
            FiledStretch::of(&correction.value_before).is_none_or(|stretch| run.holds(stretch.from_us))
        }
        CorrectedField::Void => {
            correction.value_before.split_once(' ').is_none_or(|(_, at)| run.holds(microseconds(at)))
        }
        CorrectedField::Step | CorrectedField::StepDeleted => run.name == correction.value_before,
        _ => true,
    };
    is_it && correction.subject == run.number.to_string()
}
