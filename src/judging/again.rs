//! One session judged again: what it is judged by, and what comes of it.

use std::{path::Path, sync::Arc};

use rusqlite::Connection;

use super::{
    corrections::{corrected_marks, runs_of, visit_of, void_of},
    marks::{CorrectedMark, with_marks},
    replay::{Recording, replay},
    timeline::StepRun,
};
use crate::{
    clock::Clock,
    mistake::Mistake,
    procedure::Procedure,
    session::{EventKind, PreviousSession, Visit, VisitTemperatures, VoidCapture},
    store::{
        Amendment, JudgementDraft, StoreError, amend,
        read::{
            self, Archive, EventRow, JudgementOf, JudgementRow, SessionRow, StepRow, StoredCorrection, StoredInput,
            events, inputs, judgement, previous_session, procedure_text, recorded_visit, row_count,
        },
    },
};

/// Why a session can't be judged again; nothing has changed.
#[derive(Debug, thiserror::Error)]
pub(crate) enum JudgingError {
    /// It is still being recorded.
    #[error("session {id} is still open; end it first, then judge it again")]
    Open {
        /// Its number.
        id: i64,
    },
    /// An older bayline kept no inputs.
    #[error(
        "session {id} can't be judged again: it was recorded by bayline {program}, which did not keep all that a judgement needs"
    )]
    NoInputs {
        /// Its number.
        id: i64,
        /// Which bayline.
        program: String,
    },
    /// Nothing was measured.
    #[error("session {id} has no samples: there is nothing to judge again")]
    NoSamples {
        /// Its number.
        id: i64,
    },
    /// A step of the session is none of the procedure.
    #[error(
        "the procedure \"{title}\" does not fit session {id}: it has no step \"{step}\", which was done there; it has: {}",
        steps.join(", ")
    )]
    OtherSteps {
        /// The session's number.
        id: i64,
        /// The procedure's title.
        title: String,
        /// The first step that it does not have.
        step: String,
        /// The steps that it has.
        steps: Vec<String>,
    },
    /// A procedure was given for a session without one.
    #[error("session {id} has no procedure, so its steps can't be judged by one")]
    FreeRunning {
        /// Its number.
        id: i64,
    },
    /// The session that it continues is missing.
    #[error("session {id} can't be judged again without session {uuid}, which it continues: {why}")]
    NothingBefore {
        /// Its number.
        id: i64,
        /// The one before.
        uuid: String,
        /// Why it can't be read.
        why: String,
    },
    /// What was kept can't be taken up.
    #[error("session {id} can't be judged again: {why}")]
    Input {
        /// Its number.
        id: i64,
        /// What is wrong.
        why: String,
    },
    /// Judged again, something is not what it was.
    #[error("session {id}, judged again, differs from its record: {difference}")]
    Different {
        /// Its number.
        id: i64,
        /// The first difference.
        difference: String,
    },
    /// The computer's clock is wrong, or was set back.
    #[error(
        "the computer's clock shows a time before session {id} began, so this can't be dated; set the clock, then try again"
    )]
    ClockBefore {
        /// Its number.
        id: i64,
    },
    /// The procedure as it is kept can't be read.
    #[error(transparent)]
    Procedure(#[from] Mistake),
    /// The database can't be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What a session is judged by, where that is not what it was recorded by.
#[derive(Debug, Clone, Default)]
pub(crate) struct Basis {
    /// Another procedure.
    pub procedure: Option<Arc<Procedure>>,
    /// Another visit: a temperature that was wrong.
    pub visit: Option<Visit>,
    /// Other steps: what was filed wrongly.
    pub runs: Option<Vec<StepRun>>,
    /// Captures that don't count.
    pub void: Vec<VoidCapture>,
    /// Marks that are judged by, and were corrected.
    pub marks: Vec<CorrectedMark>,
}

impl Basis {
    /// What a session is judged by now, as far as it was corrected; by another procedure where one is given, else by that of the
    /// judgement in force.
    ///
    /// # Errors
    /// The database can't be read.
    pub(crate) fn corrected(
        connection: &Connection,
        session: &SessionRow,
        procedure: Option<Arc<Procedure>>,
    ) -> Result<Self, JudgingError> {
        Self::of(connection, session, procedure, &read::corrections(connection, session.id)?)
    }

    /// By these corrections.
    pub(super) fn of(
        connection: &Connection,
        session: &SessionRow,
        procedure: Option<Arc<Procedure>>,
        corrections: &[StoredCorrection],
    ) -> Result<Self, JudgingError> {
        let procedure = match procedure {
            Some(procedure) => Some(procedure),
            None => match judgement(connection, session.id, session.judgement)?.and_then(|row| row.procedure_text) {
                Some(text) => Some(Arc::new(Procedure::parse("the procedure of that judgement", &text)?)),
                None => None,
            },
        };
        let steps = read::steps(connection, JudgementOf::first(session.id))?;
        let recorded = recorded_visit(connection, session)?;
        let visit = visit_of(recorded.clone(), corrections);
        let runs = runs_of(connection, session, &steps, corrections)?;
        // One that was told while the session was open is in the first record only from there on.
        let was_open = |one: &StoredCorrection| session.ended_us.is_none_or(|ended| one.at_us <= ended);
        let is_mixed = corrections.iter().any(|one| one.correction.field.is_of_heat() && was_open(one));
        Ok(Self {
            procedure,
            visit: (is_mixed || VisitTemperatures::of(&visit) != VisitTemperatures::of(&recorded)).then_some(visit),
            runs: (runs != StepRun::of_steps(&steps)).then_some(runs),
            void: void_of(corrections),
            marks: corrected_marks(connection, session, corrections)?,
        })
    }

    /// Whether it is as it was recorded.
    pub(crate) fn is_as_recorded(&self) -> bool {
        let Self { procedure, visit, runs, void, marks } = self;
        procedure.is_none() && visit.is_none() && runs.is_none() && void.is_empty() && marks.is_empty()
    }
}

/// A judgement that is not kept yet.
#[derive(Debug)]
pub(crate) struct NewJudgement {
    draft: JudgementDraft,
    /// The first sample whose verdict or value is another one now, in words; only looked for where nothing else is judged by.
    different_sample: Option<String>,
    /// Steps that can't be repeated, since samples of theirs were lost.
    pub not_repeatable: Vec<String>,
    procedure: Option<Arc<Procedure>>,
    is_other_procedure: bool,
}

impl NewJudgement {
    /// The first difference to the first record, in words; none where every row is the same in every column.
    ///
    /// # Errors
    /// The database can't be read.
    pub(crate) fn difference(&self, connection: &Connection) -> Result<Option<String>, StoreError> {
        let rows = self.draft.difference(connection, &self.not_repeatable)?;
        Ok(self.different_sample.clone().filter(|_| self.not_repeatable.is_empty()).or(rows))
    }

    /// What is written of it.
    pub(super) fn into_row(self, at_us: i64, made_by: &str, corrections: i64) -> (JudgementDraft, JudgementRow) {
        let procedure = self.procedure.as_ref();
        let row = JudgementRow {
            session: None,
            number: 0,
            at_us,
            made_by: made_by.to_owned(),
            procedure_title: procedure.map(|procedure| procedure.title.clone()),
            procedure_text: procedure.filter(|_| self.is_other_procedure).map(|procedure| procedure.text.clone()),
            corrections,
            program: env!("CARGO_PKG_VERSION").to_owned(),
        };
        (self.draft, row)
    }
}

/// Judges a session again, by what it was recorded by or by something else.
///
/// # Errors
/// It can't be judged again; nothing has changed.
pub(crate) fn judge_again(
    archive: &Archive,
    connection: &Connection,
    session: &SessionRow,
    basis: &Basis,
) -> Result<NewJudgement, JudgingError> {
    let id = session.id;
    if session.ended_us.is_none() {
        return Err(JudgingError::Open { id });
    }
    let inputs = inputs(connection, id)?;
    if inputs.is_empty() {
        return Err(JudgingError::NoInputs { id, program: session.program.clone() });
    }
    let steps = read::steps(connection, JudgementOf::first(id))?;
    let not_repeatable = steps_with_losses(connection, session, &steps)?;
    let recorded = match procedure_text(connection, id)? {
        Some(text) => Some(Arc::new(Procedure::parse("the procedure of that session", &text)?)),
        None => None,
    };
    let procedure = match (&recorded, &basis.procedure) {
        (None, Some(_)) => return Err(JudgingError::FreeRunning { id }),
        (_, Some(other)) => Some(other.clone()),
        (recorded, None) => recorded.clone(),
    };
    let runs = basis.runs.clone().unwrap_or_else(|| StepRun::of_steps(&steps));
    if let Some(procedure) = &procedure {
        let has = |name: &str| procedure.steps.iter().any(|step| step.name == name);
        if let Some(run) = runs.iter().find(|run| !has(&run.name)) {
            return Err(JudgingError::OtherSteps {
                id,
                title: procedure.title.clone(),
                step: run.name.clone(),
                steps: procedure.steps.iter().map(|step| step.name.clone()).collect(),
            });
        }
    }
    let before = before(archive, session, &inputs)?;
    let draft = JudgementDraft::new(connection, session, before.as_ref().map(|(file, id, _)| (*file, *id)))?;
    let is_as_recorded = basis.is_as_recorded();
    let recording = Recording {
        connection,
        session,
        inputs: with_marks(inputs, &basis.marks),
        // What a lost sample began by itself would not begin now.
        runs: (!is_as_recorded || !not_repeatable.is_empty()).then_some(runs),
        is_other_visit: basis.visit.is_some(),
        visit: match &basis.visit {
            Some(visit) => visit.clone(),
            None => recorded_visit(connection, session)?,
        },
        procedure: procedure.clone(),
        previous: before.map(|(.., previous)| Arc::new(previous)),
        void: basis.void.clone(),
    };
    let (draft, different_sample) = replay(recording, draft)?;
    Ok(NewJudgement {
        draft,
        different_sample: different_sample.filter(|_| is_as_recorded),
        not_repeatable,
        procedure,
        is_other_procedure: basis.procedure.is_some(),
    })
}

/// Keeps a judgement of a session beside its first record, and puts it in force. Returns its number.
///
/// # Errors
/// The database can't be written, or the computer's clock can't be right.
pub(crate) fn keep_judgement(
    connection: &Connection,
    session: &SessionRow,
    judged: NewJudgement,
    made_by: &str,
) -> Result<i64, JudgingError> {
    let at_us = now_us(session)?;
    let corrections = read::corrections(connection, session.id)?.len() as i64;
    let amendment = Amendment {
        at_us,
        by: made_by.to_owned(),
        visit: session.visit.clone(),
        new: Vec::new(),
        undone: None,
        judgement: Some(judged.into_row(at_us, made_by, corrections)),
        is_first_record: false,
    };
    let number = amend(Path::new(connection.path().unwrap_or_default()), session, &amendment)?;
    Ok(number.unwrap_or(session.judgement))
}

/// The present time, counted from the session's begin by the computer's clock, µs.
///
/// # Errors
/// The clock shows a time before it.
pub(crate) fn now_us(session: &SessionRow) -> Result<i64, JudgingError> {
    let since = Clock::wall().0 - session.began_utc_us;
    if since < 0 { Err(JudgingError::ClockBefore { id: session.id }) } else { Ok(since) }
}

/// The procedure of the judgement in force; none where it is free-running.
///
/// # Errors
/// The database or the procedure can't be read.
pub(crate) fn procedure_in_force(
    connection: &Connection,
    session: &SessionRow,
) -> Result<Option<Procedure>, JudgingError> {
    let text = procedure_text_in_force(connection, session)?;
    Ok(text.map(|text| Procedure::parse("the procedure of that session", &text)).transpose()?)
}

/// The text of that procedure.
///
/// # Errors
/// The database can't be read.
pub(crate) fn procedure_text_in_force(
    connection: &Connection,
    session: &SessionRow,
) -> Result<Option<String>, StoreError> {
    let other = judgement(connection, session.id, session.judgement)?.and_then(|row| row.procedure_text);
    match other {
        Some(text) => Ok(Some(text)),
        None => procedure_text(connection, session.id),
    }
}

type Before<'a> = (&'a Connection, i64, PreviousSession);

/// The session that this one continues, by the judgement that it was continued by.
fn before<'a>(
    archive: &'a Archive,
    session: &SessionRow,
    inputs: &[StoredInput],
) -> Result<Option<Before<'a>>, JudgingError> {
    let Some(uuid) = &session.continues else { return Ok(None) };
    let read = || -> Result<Before<'a>, StoreError> {
        let (file, mut before) = archive.find(uuid)?;
        before.judgement = inputs.iter().find_map(StoredInput::continued_judgement).unwrap_or(0);
        Ok((file, before.id, previous_session(file, &before)?))
    };
    let found = read().map_err(|error| JudgingError::NothingBefore {
        id: session.id,
        uuid: uuid.clone(),
        why: error.to_string(),
    })?;
    Ok(Some(found))
}

/// The names of the steps of which samples were lost before they were stored, or have vanished since.
fn steps_with_losses(
    connection: &Connection,
    session: &SessionRow,
    steps: &[StepRow],
) -> Result<Vec<String>, StoreError> {
    let events = events(connection, session.id)?;
    // A loss is noted once the database can be written again; it began when it could not be.
    let mut losses: Vec<(i64, i64)> = Vec::new();
    let mut trouble_since = 0;
    for EventRow { at_us, kind, subject, .. } in &events {
        match kind {
            EventKind::Store if subject.is_empty() => trouble_since = *at_us,
            // What was lost before it came here was never judged.
            EventKind::SamplesLost if subject.is_empty() => losses.push((trouble_since, *at_us)),
            _ => {}
        }
    }
    let mut names = Vec::new();
    for step in steps {
        let ended_us = step.ended_us.unwrap_or(i64::MAX);
        let is_in_loss = losses.iter().any(|(from, to)| step.began_us <= *to && ended_us >= *from);
        let last = step.last_row.unwrap_or(session.last_row);
        let has_gap = row_count(connection, step.first_row, last)? != (last - step.first_row + 1).max(0);
        if (is_in_loss || has_gap) && !names.contains(&step.name) {
            names.push(step.name.clone());
        }
    }
    Ok(names)
}
