//! The correction that words mean: which mark, which step, which field.

use rusqlite::Connection;

use super::{
    AskedCorrection, CorrectionError,
    in_force::{FiledStretch, in_force, is_known_good, microseconds, runs_of, seconds, visit_of},
};
use crate::{
    judging::{again::procedure_in_force, timeline::StepRun},
    session::{CaptureMethod, CorrectedField, Correction, EventKind},
    store::read::{
        CaptureRow, JudgementOf, SessionRow, StepRow, StoredCorrection, captures, first_events, recorded_visit,
    },
};

/// The correction that was asked for; none where it would change nothing.
pub(super) fn planned(
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
        AskedCorrection::FileCapture(wanted, number, under) => {
            let run = step_run(connection, session, steps, all, wanted)?;
            let name = name_of_step(connection, session, under.trim())?;
            match stretch_of(connection, session, &run, *number)? {
                None => record(CorrectedField::Step, run.number.to_string(), run.name, name),
                Some(stretch) => {
                    let before = format!("{}, {}", run.name, stretch);
                    record(CorrectedField::Capture, run.number.to_string(), before, name.clone())
                        .filter(|_| name != run.name)
                }
            }
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

/// The stretch of a step that belongs to one of its captures: halfway to the captures before and after it, since the leads leave a
/// point some time after it was captured. None where it is the only one, so that all of the step belongs to it.
fn stretch_of(
    connection: &Connection,
    session: &SessionRow,
    run: &StepRun,
    number: usize,
) -> Result<Option<FiledStretch>, CorrectionError> {
    let is_at_a_time = |how| matches!(how, CaptureMethod::Taken | CaptureMethod::Steady | CaptureMethod::Proven);
    let mut captures = captures(connection, JudgementOf::first(session.id))?;
    captures.retain(|capture| {
        let is_within =
            capture.at_us >= run.began_us && run.ended.is_none_or(|(ended_us, _)| capture.at_us <= ended_us);
        capture.step == Some(run.number) && is_at_a_time(capture.how) && is_within
    });
    captures.sort_by_key(|capture| capture.at_us);
    let index = number.checked_sub(1).filter(|index| *index < captures.len()).ok_or_else(|| {
        let shown = |capture: &CaptureRow| format!("\"{}\" after {}", capture.reason, seconds(capture.at_us));
        CorrectionError::NoCapture {
            number: run.number,
            name: run.name.clone(),
            wanted: number,
            captures: (1..).zip(&captures).map(|(number, capture)| format!("{number} {}", shown(capture))).collect(),
        }
    })?;
    let halfway = |one: usize, other: usize| captures[one].at_us.midpoint(captures[other].at_us);
    let from_us = index.checked_sub(1).map_or(run.began_us, |before| halfway(before, index));
    let to_us = (index + 1 < captures.len()).then(|| halfway(index, index + 1));
    Ok((captures.len() > 1).then_some(FiledStretch { from_us, to_us }))
}

/// The name of a step as the session's procedure writes it; any name where there is none.
fn name_of_step(connection: &Connection, session: &SessionRow, name: &str) -> Result<String, CorrectionError> {
    let Some(procedure) = procedure_in_force(connection, session)? else {
        CorrectedField::Step.check_length(name).map_err(|long| CorrectionError::Text(long.to_string()))?;
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
