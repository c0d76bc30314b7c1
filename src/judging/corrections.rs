//! What was filed wrongly is put right: each correction is a record beside the first one, and can be undone. Samples and the
//! first record stay as they are; what follows from them is judged again.
//!
//! Reading order: here, `planned` (which correction the words mean), `in_force` (what is right by all of them), `step_label` (what a
//! step is called), `told` (corrections in words), `error`.

mod error;
mod in_force;
mod planned;
mod step_label;
mod told;

use std::path::Path;

use rusqlite::Connection;

use super::{
    again::{Basis, JudgingError, judge_again, now_us, procedure_in_force},
    marks::{CorrectedMark, has_mark_rules, marks_of},
};
use crate::{
    session::{CorrectedField, Correction},
    store::{
        Amendment, Folder, StoreError, amend,
        read::{self, Archive, JudgementOf, SessionRow, StoredCorrection, corrections, recorded_visit},
    },
};
pub(crate) use error::CorrectionError;
use in_force::{in_force, microseconds};
pub(super) use in_force::{runs_of, visit_of, void_of};
use planned::planned;
pub(crate) use told::corrections_in_words;

/// What is to be put right.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum AskedCorrection {
    /// A field of the visit, as it is right.
    Visit(CorrectedField, String),
    /// A mark has another text.
    RenameMark(String, String),
    /// A mark belongs to another moment, µs since the session began.
    MoveMark(String, i64),
    /// A mark was none.
    DeleteMark(String),
    /// What was captured in one step belongs to another one.
    File(String, String),
    /// Of several captures of a step, the one of this number, from 1, belongs to another step.
    FileCapture(String, usize, String),
    /// What was captured in a step does not count, and why; of several captures the one of this number, from 1.
    Void(String, Option<usize>, String),
    /// Whether the machine is known to be good.
    Good(bool),
}

/// What was done.
#[derive(Debug)]
pub(crate) struct Corrected {
    /// What was corrected, or what is no longer.
    pub corrections: Vec<Correction>,
    /// The same in words, one each.
    pub words: Vec<String>,
    /// Whether it was judged again.
    pub is_judged_again: bool,
    /// Steps that can't be repeated, since samples of theirs were lost.
    pub not_repeatable: Vec<String>,
}

/// Puts a session right that has ended, and judges again what follows from it.
///
/// # Errors
/// It can't be done; nothing has changed.
pub(crate) fn correct(
    archive: &Archive,
    connection: &Connection,
    session: &SessionRow,
    asked: &[AskedCorrection],
    by: &str,
) -> Result<Corrected, CorrectionError> {
    if session.ended_us.is_none() {
        return Err(CorrectionError::Open { id: session.id });
    }
    let steps = read::steps(connection, JudgementOf::first(session.id))?;
    let mut all = corrections(connection, session.id)?;
    let at_us = now_us(session)?;
    let known = all.len();
    for one in asked {
        let Some(correction) = planned(connection, session, &steps, &all, one, by)? else { continue };
        all.push(StoredCorrection::new(at_us, correction));
    }
    match (asked, all.len() - known) {
        ([], _) => Err(CorrectionError::NothingAsked),
        (_, 0) => Err(CorrectionError::Nothing),
        (_, count) => apply(archive, connection, session, &all, Change::Add(count), by),
    }
}

/// Undoes a correction: the last one that is not undone, or the one of this number.
///
/// # Errors
/// There is none, or what follows can't be judged; nothing has changed.
pub(crate) fn undo(
    archive: &Archive,
    connection: &Connection,
    session: &SessionRow,
    wanted: Option<usize>,
    by: &str,
) -> Result<Corrected, CorrectionError> {
    if session.ended_us.is_none() {
        return Err(CorrectionError::Open { id: session.id });
    }
    let mut all = corrections(connection, session.id)?;
    let none = || CorrectionError::NothingToUndo { id: session.id, wanted };
    let index = match wanted {
        Some(number) => number.checked_sub(1).filter(|index| *index < all.len()).ok_or_else(none)?,
        None => all.iter().rposition(StoredCorrection::is_in_force).ok_or_else(none)?,
    };
    if !all[index].is_in_force() {
        return Err(none());
    }
    all[index].undone_us = Some(now_us(session)?);
    apply(archive, connection, session, &all, Change::Undo(index), by)
}

/// Judges a session that has ended again where something that was corrected while it was open changes what was judged before that.
/// Nothing is done where it was judged again already.
///
/// # Errors
/// It can't be judged again; nothing has changed.
pub(crate) fn judge_by_corrections(
    archive: &Archive,
    connection: &Connection,
    session: &SessionRow,
) -> Result<bool, CorrectionError> {
    let all = corrections(connection, session.id)?;
    let is_wanted = in_force(&all).any(|one| one.field.is_judged_by()) && session.judgement == 0;
    if session.ended_us.is_none() || !is_wanted {
        return Ok(false);
    }
    let basis = Basis::of(connection, session, None, &all)?;
    if basis.is_as_recorded() {
        return Ok(false);
    }
    let at_us = now_us(session)?;
    let judged = judge_again(archive, connection, session, &basis)?;
    let amendment = Amendment {
        at_us,
        by: String::new(),
        visit: session.visit.clone(),
        new: Vec::new(),
        undone: None,
        judgement: Some(judged.into_row(at_us, "", all.len() as i64)),
        is_first_record: false,
    };
    amend(Path::new(connection.path().unwrap_or_default()), session, &amendment)?;
    Ok(true)
}

/// Does this for every session of a folder that has ended without it: by a signal, by the begin of another one, or by a loss of power.
/// What can't be judged again is told in the log, and stays as it is.
pub(crate) fn judge_all_by_corrections(folder: &Folder) {
    let uuids = Archive::open(folder).and_then(|mut archive| {
        let ended =
            archive.sessions()?.into_iter().filter(|session| session.ended_us.is_some() && session.judgement == 0);
        Ok((ended.map(|session| session.uuid).collect::<Vec<_>>(), archive))
    });
    let (uuids, archive) = match uuids {
        Ok(found) => found,
        Err(why) => return tracing::warn!("no session is judged again by what was corrected while it was open: {why}"),
    };
    for uuid in uuids {
        let judged = archive.find(&uuid).map_err(CorrectionError::from).and_then(|(connection, session)| {
            Ok(judge_by_corrections(&archive, connection, &session)?.then_some(session.id))
        });
        match judged {
            Ok(None) => {}
            Ok(Some(id)) => tracing::info!("session {id} is judged again by what was corrected while it was open"),
            Err(why) => {
                tracing::warn!("session {uuid} is not judged again by what was corrected while it was open: {why}");
            }
        }
    }
}

enum Change {
    /// So many corrections, the last of all.
    Add(usize),
    /// The correction at this place of all of the session.
    Undo(usize),
}

/// Judges by these corrections where anything judged depends on the change, then writes all of it at once.
fn apply(
    archive: &Archive,
    connection: &Connection,
    session: &SessionRow,
    all: &[StoredCorrection],
    change: Change,
    by: &str,
) -> Result<Corrected, CorrectionError> {
    let at_us = now_us(session)?;
    let changed = match change {
        Change::Add(count) => all.len() - count..all.len(),
        Change::Undo(index) => index..index + 1,
    };
    let words = changed.clone().map(|at| told::in_words(connection, session, &all[..at], &all[at].correction));
    let words = words.collect::<Result<Vec<String>, StoreError>>()?;
    let changed: Vec<Correction> = all[changed].iter().map(|one| one.correction.clone()).collect();
    let (new, undone) = match change {
        Change::Add(_) => (changed.clone(), None),
        Change::Undo(index) => (Vec::new(), all[index].id),
    };
    let visit = visit_of(recorded_visit(connection, session)?, all);
    let mut amendment =
        Amendment { at_us, by: by.to_owned(), visit, new, undone, judgement: None, is_first_record: false };
    let is_judged_again = changed
        .iter()
        .any(|one| one.field.is_judged_by() || (one.field.is_of_mark() && is_judged_by_marks(connection, session)));
    let mut not_repeatable = Vec::new();
    if is_judged_again {
        let basis = Basis::of(connection, session, None, all)?;
        if basis.is_as_recorded() {
            amendment.is_first_record = true;
        } else {
            let judged = judge_again(archive, connection, session, &basis)?;
            not_repeatable.clone_from(&judged.not_repeatable);
            amendment.judgement = Some(judged.into_row(at_us, by, all.len() as i64));
        }
    }
    amend(Path::new(connection.path().unwrap_or_default()), session, &amendment)?;
    Ok(Corrected { corrections: changed, words, is_judged_again, not_repeatable })
}

/// The marks as they are right, where something must follow a mark.
pub(super) fn corrected_marks(
    connection: &Connection,
    session: &SessionRow,
    all: &[StoredCorrection],
) -> Result<Vec<CorrectedMark>, JudgingError> {
    match is_judged_by_marks(connection, session) {
        true => Ok(marks_of(connection, session, all, microseconds)?),
        false => Ok(Vec::new()),
    }
}

/// Whether something must follow a mark, by the procedure in force.
fn is_judged_by_marks(connection: &Connection, session: &SessionRow) -> bool {
    procedure_in_force(connection, session).is_ok_and(|procedure| has_mark_rules(procedure.as_ref()))
}
