//! The correction that words mean: which mark, which step, which field.

use rusqlite::Connection;

use super::{
    AskedCorrection, CorrectionError,
    in_force::{FiledStretch, in_force, is_known_good, microseconds, runs_of, seconds, visit_of},
    step_label::LabelledRun,
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
                refuse_part(&runs, mark.number)?;
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
            if is_step {
                let runs = runs_of(connection, session, steps, all)?;
                refuse_part(&runs, mark.number)?;
                if runs.first().is_some_and(|run| run.number == mark.number) {
                    return Err(CorrectionError::FirstMark);
                }
            }
            let field = if is_step { CorrectedField::StepDeleted } else { CorrectedField::MarkDeleted };
            record(field, mark.number.to_string(), mark.text, String::new())
        }
        AskedCorrection::File(wanted, under) => {
            let step = step_run(connection, session, steps, all, wanted)?;
            let name = name_of_step(connection, session, under.trim())?;
            filed(&step, step.part(), name, record)
        }
        AskedCorrection::FileCapture(wanted, number, under) => {
            let step = step_run(connection, session, steps, all, wanted)?;
            let name = name_of_step(connection, session, under.trim())?;
            filed(&step, stretch_of(connection, session, &step, *number)?.or(step.part()), name, record)
        }
        AskedCorrection::Void(wanted, numbered, why) => {
            let step = step_run(connection, session, steps, all, wanted)?;
            let number = step.run.number;
            let own = steps.iter().find(|step| step.number == number).and_then(|step| step.capture.clone());
            let own = own.filter(|capture| step.run.holds(capture.at_us));
            let capture = match (numbered, own) {
                (Some(number), _) => Some(capture_of(connection, session, &step, *number)?),
                (None, Some(own)) => Some(own),
                (None, None) => captures_of(connection, session, &step.run)?.pop(),
            };
            let capture = capture
                .filter(|capture| capture.value.or(capture.beyond.map(|_| 0.0)).is_some() || capture.answer.is_some());
            let capture = capture.ok_or_else(|| CorrectionError::NothingCaptured { step: step.to_string() })?;
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
    /// What the ledger calls it: another number than its own once a mark before it was deleted.
    place: i64,
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
        let found =
            |(place, run): (i64, StepRun)| FoundMark { number: run.number, place, text: run.name, at_us: run.began_us };
        (1..).zip(runs).map(found).collect()
    } else {
        let events = first_events(connection, session.id)?;
        let marks = events.into_iter().filter(|event| event.kind == EventKind::Mark);
        let numbered = (1..).zip(marks).map(|(number, event)| (number, event.text, event.at_us));
        let marks = numbered.filter_map(|(number, text, at_us)| {
            let mut mark = Some(FoundMark { number, place: number, text, at_us });
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
    let names = marks.iter().map(|mark| format!("{} \"{}\"", mark.place, mark.text)).collect();
    let number = wanted.trim().parse::<i64>().ok();
    let fits =
        |mark: &FoundMark| number.map_or(mark.text.eq_ignore_ascii_case(wanted.trim()), |wanted| wanted == mark.place);
    let mut meant = marks.into_iter().filter(fits);
    match (meant.next(), meant.next()) {
        (Some(mark), None) => Ok((is_step, mark)),
        _ => Err(CorrectionError::NoMark { id: session.id, wanted: wanted.to_owned(), marks: names }),
    }
}

/// The only step that was done that these words mean.
fn step_run(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
    all: &[StoredCorrection],
    wanted: &str,
) -> Result<LabelledRun, CorrectionError> {
    let runs = runs_of(connection, session, steps, all)?;
    let labels = LabelledRun::all(&runs, procedure_in_force(connection, session)?.as_ref());
    let names = |of: &[LabelledRun]| of.iter().map(LabelledRun::to_string).collect();
    let (id, wanted_step) = (session.id, wanted.to_owned());
    let (mut meant, others): (Vec<LabelledRun>, Vec<LabelledRun>) =
        labels.into_iter().partition(|label| label.is_meant_by(wanted));
    match meant.len() {
        0 => Err(CorrectionError::NoStep { id, wanted: wanted_step, steps: names(&others) }),
        1 => Ok(meant.remove(0)),
        _ => Err(CorrectionError::SeveralSteps { id, wanted: wanted_step, steps: names(&meant) }),
    }
}

/// Refuses to move or delete the begin of a step of which a part was filed under another one.
fn refuse_part(runs: &[StepRun], number: i64) -> Result<(), CorrectionError> {
    let is_split = runs.iter().filter(|run| run.number == number).count() > 1;
    if is_split { Err(CorrectionError::PartFiled) } else { Ok(()) }
}

/// A step, or a stretch of it, goes to the step of this name.
fn filed(
    step: &LabelledRun,
    stretch: Option<FiledStretch>,
    name: String,
    record: impl Fn(CorrectedField, String, String, String) -> Option<Correction>,
) -> Option<Correction> {
    let LabelledRun { run, .. } = step;
    let number = run.number.to_string();
    match stretch {
        _ if name == run.name => None,
        None => record(CorrectedField::Step, number, run.name.clone(), name),
        Some(stretch) => record(CorrectedField::Capture, number, format!("{}, {stretch}", run.name), name),
    }
}

/// The captures of a step at a moment, by the first record, in their order.
fn captures_of(
    connection: &Connection,
    session: &SessionRow,
    run: &StepRun,
) -> Result<Vec<CaptureRow>, CorrectionError> {
    let is_at_a_time = |how| matches!(how, CaptureMethod::Taken | CaptureMethod::Steady | CaptureMethod::Proven);
    let mut captures = captures(connection, JudgementOf::first(session.id))?;
    captures
        .retain(|capture| capture.step == Some(run.number) && is_at_a_time(capture.how) && run.holds(capture.at_us));
    captures.sort_by_key(|capture| capture.at_us);
    Ok(captures)
}

/// One of several captures of a step, by its number from 1.
fn capture_of(
    connection: &Connection,
    session: &SessionRow,
    step: &LabelledRun,
    number: usize,
) -> Result<CaptureRow, CorrectionError> {
    let mut captures = captures_of(connection, session, &step.run)?;
    let index = place_of(step, &captures, number)?;
    Ok(captures.swap_remove(index))
}

/// The place of a numbered capture among these of a step.
fn place_of(step: &LabelledRun, captures: &[CaptureRow], number: usize) -> Result<usize, CorrectionError> {
    number.checked_sub(1).filter(|index| *index < captures.len()).ok_or_else(|| {
        let shown = |capture: &CaptureRow| format!("\"{}\" after {}", capture.reason, seconds(capture.at_us));
        CorrectionError::NoCapture {
            step: step.to_string(),
            wanted: number,
            captures: (1..).zip(captures).map(|(number, capture)| format!("{number} {}", shown(capture))).collect(),
        }
    })
}

/// The stretch of a step that belongs to one of its captures: halfway to the captures before and after it, since the leads leave a
/// point some time after it was captured. None where it is the only one, so that all of the step belongs to it.
fn stretch_of(
    connection: &Connection,
    session: &SessionRow,
    step: &LabelledRun,
    number: usize,
) -> Result<Option<FiledStretch>, CorrectionError> {
    let captures = captures_of(connection, session, &step.run)?;
    let index = place_of(step, &captures, number)?;
    let halfway = |one: usize, other: usize| captures[one].at_us.midpoint(captures[other].at_us);
    let from_us = index.checked_sub(1).map_or(step.run.began_us, |before| halfway(before, index));
    let end_us = step.run.ended.filter(|_| step.is_part).map(|(ended_us, _)| ended_us);
    let to_us = if index + 1 < captures.len() { Some(halfway(index, index + 1)) } else { end_us };
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
