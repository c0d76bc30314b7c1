//! What was filed wrongly is put right: each correction is a record beside the first one, and can be undone. Samples and the
//! first record stay as they are; what follows from them is judged again.

use std::path::Path;

use rusqlite::Connection;

use super::{
    again::{Basis, JudgingError, judge_again, now_us, procedure_in_force},
    timeline::StepRun,
};
use crate::{
    session::{CorrectedField, Correction, EventKind, StepExit, Visit, VoidCapture},
    store::{
        Amendment, amend,
        read::{
            self, Archive, JudgementOf, SessionRow, StepRow, StoredCorrection, corrections, first_events, first_row_at,
            recorded_visit,
        },
    },
    units::show_seconds,
};

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
    /// What was captured in a step does not count, and why.
    Void(String, String),
    /// Whether the machine is known to be good.
    Good(bool),
}

/// Why nothing was corrected; nothing has changed.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CorrectionError {
    /// It is still being recorded.
    #[error(
        "session {id} is still open: only machine, job, VIN, counter and complaint can be corrected now, without its number; the rest once it has ended"
    )]
    Open {
        /// Its number.
        id: i64,
    },
    /// There is no such mark, or the words mean several.
    #[error("\"{wanted}\" does not mean exactly one mark of session {id}; {}", there_are("mark", marks))]
    NoMark {
        /// The session's number.
        id: i64,
        /// What was asked for.
        wanted: String,
        /// What there is.
        marks: Vec<String>,
    },
    /// There is no such step, or the words mean several.
    #[error("\"{wanted}\" does not mean exactly one step of session {id}; {}", there_are("step", steps))]
    NoStep {
        /// The session's number.
        id: i64,
        /// What was asked for.
        wanted: String,
        /// What there is.
        steps: Vec<String>,
    },
    /// The procedure has no such step.
    #[error("the procedure of session {id} has no step \"{name}\"; {}", there_are("step", steps))]
    NotOfProcedure {
        /// The session's number.
        id: i64,
        /// What was asked for.
        name: String,
        /// What there is.
        steps: Vec<String>,
    },
    /// Nothing was captured there.
    #[error("nothing was captured in step {number} \"{name}\", so there is nothing to declare void")]
    NothingCaptured {
        /// Its number.
        number: i64,
        /// Its name.
        name: String,
    },
    /// A mark that is a step must stay between its neighbours.
    #[error("this mark can be moved to a time between {} and {} after the session began", show_seconds(*from_us as f64 / 1e6), show_seconds(*to_us as f64 / 1e6))]
    BeyondNeighbours {
        /// The earliest time.
        from_us: i64,
        /// The latest.
        to_us: i64,
    },
    /// The first step has none before it that its samples could go to.
    #[error("the first mark can't be deleted: its samples would belong to no step; rename it instead")]
    FirstMark,
    /// Everything is as it is told.
    #[error("nothing would change: all this is so already")]
    Nothing,
    /// Nothing was asked for.
    #[error(
        "say what is to be corrected, such as --machine \"loader 8\", --step 5 --file-under \"lift feed\" or --undo; `bayline correct --help` has all"
    )]
    NothingAsked,
    /// A text that can't be what it is for.
    #[error("{0}")]
    Text(String),
    /// There is nothing to undo.
    #[error("session {id} has no correction{} left to undo; `bayline show {id}` lists them", wanted.map_or(String::new(), |number| format!(" {number}")))]
    NothingToUndo {
        /// The session's number.
        id: i64,
        /// Which one was asked for; none for the last.
        wanted: Option<usize>,
    },
    /// What follows from it can't be judged.
    #[error(transparent)]
    Judging(#[from] JudgingError),
}

impl From<crate::store::StoreError> for CorrectionError {
    fn from(error: crate::store::StoreError) -> Self {
        Self::Judging(error.into())
    }
}

fn there_are(what: &str, all: &[String]) -> String {
    match all {
        [] => format!("it has no {what}"),
        all => format!("there are: {}", all.join(", ")),
    }
}

/// What was done.
#[derive(Debug)]
pub(crate) struct Corrected {
    /// What was corrected, or what is no longer.
    pub corrections: Vec<Correction>,
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
    let mut new = Vec::new();
    for one in asked {
        let Some(correction) = planned(connection, session, &steps, &all, one, by)? else { continue };
        all.push(StoredCorrection::new(at_us, correction.clone()));
        new.push(correction);
    }
    match (asked, &new[..]) {
        ([], _) => Err(CorrectionError::NothingAsked),
        (_, []) => Err(CorrectionError::Nothing),
        _ => apply(archive, connection, session, &all, Change::Add(new), by),
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

enum Change {
    Add(Vec<Correction>),
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
    let (new, undone) = match change {
        Change::Add(new) => (new, None),
        Change::Undo(index) => (Vec::new(), all[index].id),
    };
    let changed: Vec<Correction> = match undone {
        Some(id) => all.iter().filter(|one| one.id == Some(id)).map(|one| one.correction.clone()).collect(),
        None => new.clone(),
    };
    let visit = visit_of(recorded_visit(connection, session)?, all);
    let mut amendment =
        Amendment { at_us, by: by.to_owned(), visit, new, undone, judgement: None, is_first_record: false };
    let is_judged_again = changed.iter().any(|one| one.field.is_judged_by());
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
    Ok(Corrected { corrections: changed, is_judged_again, not_repeatable })
}

/// The correction that was asked for; none where it would change nothing.
fn planned(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    all: &[StoredCorrection],
    asked: &AskedCorrection,
    by: &str,
) -> Result<Option<Correction>, CorrectionError> {
    let record = |field, subject: String, before: String, after: String| {
        let made_by = by.trim().to_owned();
        (before != after).then_some(Correction { made_by, field, subject, value_before: before, value_after: after })
    };
    Ok(match asked {
        AskedCorrection::Visit(field, text) => {
            let visit = visit_of(recorded_visit(connection, session)?, all);
            field.check(text.trim()).map_err(CorrectionError::Text)?;
            record(*field, String::new(), field.of(&visit), text.trim().to_owned())
        }
        AskedCorrection::Good(is_good) => {
            let word = |good: bool| if good { "yes" } else { "no" }.to_owned();
            record(CorrectedField::Good, String::new(), word(is_known_good(all)), word(*is_good))
        }
        AskedCorrection::RenameMark(wanted, text) => {
            let text = text.trim();
            if text.is_empty() {
                return Err(CorrectionError::Text("the mark's text is empty; give it in a few words".to_owned()));
            }
            let (field, mark) = mark(connection, session, steps, all, wanted)?;
            let field = if field { CorrectedField::Step } else { CorrectedField::MarkText };
            record(field, mark.number.to_string(), mark.text, text.to_owned())
        }
        AskedCorrection::MoveMark(wanted, at_us) => {
            let (is_step, mark) = mark(connection, session, steps, all, wanted)?;
            let last_us = session.ended_us.unwrap_or(i64::MAX);
            let mut allowed = (0, last_us);
            if is_step {
                let runs = runs_of(connection, session, steps, all)?;
                let place = runs.iter().position(|run| run.number == mark.number);
                let before = place.and_then(|place| runs.get(place.checked_sub(1)?)).map_or(0, |run| run.began_us);
                let after = place.and_then(|place| runs.get(place + 1)).map_or(last_us, |run| run.began_us);
                allowed = (before, after);
            }
            if !(allowed.0..=allowed.1).contains(at_us) {
                return Err(CorrectionError::BeyondNeighbours { from_us: allowed.0, to_us: allowed.1 });
            }
            let field = if is_step { CorrectedField::StepBegin } else { CorrectedField::MarkTime };
            record(field, mark.number.to_string(), seconds(mark.at_us), seconds(*at_us))
        }
        AskedCorrection::DeleteMark(wanted) => {
            let (is_step, mark) = mark(connection, session, steps, all, wanted)?;
            if is_step && runs_of(connection, session, steps, all)?.first().is_some_and(|run| run.number == mark.number)
            {
                return Err(CorrectionError::FirstMark);
            }
            let field = if is_step { CorrectedField::StepDeleted } else { CorrectedField::MarkDeleted };
            record(field, mark.number.to_string(), mark.text, String::new())
        }
        AskedCorrection::File(wanted, under) => {
            let run = step_run(connection, session, steps, all, wanted)?;
            let name = name_of_step(connection, session, under.trim())?;
            record(CorrectedField::Step, run.number.to_string(), run.name, name)
        }
        AskedCorrection::Void(wanted, why) => {
            let run = step_run(connection, session, steps, all, wanted)?;
            let number = run.number;
            let own = steps.iter().find(|step| step.number == number).and_then(|step| step.capture.as_ref());
            let capture = own
                .filter(|capture| capture.value.or(capture.beyond.map(|_| 0.0)).is_some() || capture.answer.is_some());
            let capture = capture.ok_or_else(|| CorrectionError::NothingCaptured { number, name: run.name.clone() })?;
            if why.trim().is_empty() {
                return Err(CorrectionError::Text(
                    "say why it does not count, such as --void \"the lead slipped\"".to_owned(),
                ));
            }
            let what = format!("{} {}", capture.how.word(), seconds(capture.at_us));
            let is_void = in_force(all).any(|one| one.field == CorrectedField::Void && one.value_before == what);
            record(CorrectedField::Void, number.to_string(), what, why.trim().to_owned()).filter(|_| !is_void)
        }
    })
}

/// A mark: its number among the session's marks, or that of the step that it began.
struct FoundMark {
    number: i64,
    text: String,
    at_us: i64,
}

/// The mark of a number or a text, and whether it is a step: in a session without a procedure marks begin steps.
fn mark(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    all: &[StoredCorrection],
    wanted: &str,
) -> Result<(bool, FoundMark), CorrectionError> {
    let is_step = session.procedure.is_none();
    let marks: Vec<FoundMark> = if is_step {
        let runs = runs_of(connection, session, steps, all)?;
        runs.into_iter().map(|run| FoundMark { number: run.number, text: run.name, at_us: run.began_us }).collect()
    } else {
        let events = first_events(connection, session.id)?;
        let marks = events.into_iter().filter(|event| event.kind == EventKind::Mark);
        let numbered = (1..).zip(marks).map(|(number, event)| (number, event.text, event.at_us));
        let marks = numbered.filter_map(|(number, text, at_us)| {
            let mut mark = Some(FoundMark { number, text, at_us });
            for one in in_force(all).filter(|one| one.subject == number.to_string()) {
                match (one.field, &mut mark) {
                    (CorrectedField::MarkText, Some(mark)) => mark.text.clone_from(&one.value_after),
                    (CorrectedField::MarkTime, Some(mark)) => mark.at_us = microseconds(&one.value_after),
                    (CorrectedField::MarkDeleted, _) => mark = None,
                    _ => {}
                }
            }
            mark
        });
        marks.collect()
    };
    let names = marks.iter().map(|mark| format!("{} \"{}\"", mark.number, mark.text)).collect();
    let number = wanted.trim().parse::<i64>().ok();
    let fits =
        |mark: &FoundMark| number.map_or(mark.text.eq_ignore_ascii_case(wanted.trim()), |wanted| wanted == mark.number);
    let mut meant = marks.into_iter().filter(fits);
    match (meant.next(), meant.next()) {
        (Some(mark), None) => Ok((is_step, mark)),
        _ => Err(CorrectionError::NoMark { id: session.id, wanted: wanted.to_owned(), marks: names }),
    }
}

/// The step of a number, or the only one of a name.
fn step_run(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    all: &[StoredCorrection],
    wanted: &str,
) -> Result<StepRun, CorrectionError> {
    let runs = runs_of(connection, session, steps, all)?;
    let names = runs.iter().map(|run| format!("{} \"{}\"", run.number, run.name)).collect();
    let number = wanted.trim().parse::<i64>().ok();
    let fits =
        |run: &StepRun| number.map_or(run.name.eq_ignore_ascii_case(wanted.trim()), |wanted| wanted == run.number);
    let mut meant = runs.into_iter().filter(fits);
    match (meant.next(), meant.next()) {
        (Some(run), None) => Ok(run),
        _ => Err(CorrectionError::NoStep { id: session.id, wanted: wanted.to_owned(), steps: names }),
    }
}

/// The name of a step as the session's procedure writes it; any name where there is none.
fn name_of_step(connection: &Connection, session: &SessionRow, name: &str) -> Result<String, CorrectionError> {
    let Some(procedure) = procedure_in_force(connection, session)? else {
        CorrectedField::Step.check_length(name).map_err(|refusal| CorrectionError::Text(refusal.to_string()))?;
        return Ok(name.to_owned());
    };
    let names = || procedure.steps.iter().map(|step| &step.name);
    let exact = names().find(|own| *own == name).or(names().find(|own| own.eq_ignore_ascii_case(name)));
    exact.cloned().ok_or_else(|| CorrectionError::NotOfProcedure {
        id: session.id,
        name: name.to_owned(),
        steps: (1..).zip(names()).map(|(number, own)| format!("{number} \"{own}\"")).collect(),
    })
}

fn in_force(all: &[StoredCorrection]) -> impl Iterator<Item = &Correction> {
    all.iter().filter(|one| one.is_in_force()).map(|one| &one.correction)
}

/// Whether the machine is known to be good.
fn is_known_good(all: &[StoredCorrection]) -> bool {
    in_force(all).filter(|one| one.field == CorrectedField::Good).last().is_some_and(|one| one.value_after == "yes")
}

/// The visit as it is right.
pub(super) fn visit_of(recorded: Visit, all: &[StoredCorrection]) -> Visit {
    let mut visit = recorded;
    for one in in_force(all) {
        one.field.put(&mut visit, &one.value_after);
    }
    visit
}

/// The steps as they are right.
pub(super) fn runs_of(
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
pub(super) fn void_of(all: &[StoredCorrection]) -> Vec<VoidCapture> {
    let voids = in_force(all).filter(|one| one.field == CorrectedField::Void).filter_map(|one| {
        let (how, at) = one.value_before.split_once(' ')?;
        Some(VoidCapture {
            how: how.parse().ok()?,
            at: crate::clock::Mono(microseconds(at)),
            why: one.value_after.clone(),
        })
    });
    voids.collect()
}

/// A time in a correction: seconds since the session began, to the microsecond.
fn seconds(us: i64) -> String {
    let sign = if us < 0 { "-" } else { "" };
    format!("{sign}{}.{:06} s", us.unsigned_abs() / 1_000_000, us.unsigned_abs() % 1_000_000)
}

/// The same, read back.
fn microseconds(text: &str) -> i64 {
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
