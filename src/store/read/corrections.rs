//! What was put right in a session, and its marks as they are right.

use rusqlite::Connection;
use serde::{Deserialize, Serialize};

use super::{EventRow, SessionRow, seconds};
use crate::{
    session::{CorrectedField, Correction, EventKind, Visit},
    store::{StoreError, record::records},
};

/// One row of the table `correction`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct StoredCorrection {
    /// Its number on the database; none before it is kept.
    #[serde(skip_serializing)]
    pub id: Option<i64>,
    /// Since the session began: µs in the row, s in JSON.
    #[serde(rename = "at_s", alias = "at_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub at_us: i64,
    /// Who, what, before and after.
    #[serde(flatten)]
    pub correction: Correction,
    /// When it was undone after the session began, none while it is in force: µs in the row, s in JSON.
    #[serde(rename = "undone_s", alias = "undone_us", serialize_with = "seconds::or_none")]
    #[schema(value_type = Option<f64>)]
    pub undone_us: Option<i64>,
    /// Who undid it.
    pub undone_by: Option<String>,
}

impl StoredCorrection {
    /// One that is not kept yet.
    pub(crate) fn new(at_us: i64, correction: Correction) -> Self {
        Self { id: None, at_us, correction, undone_us: None, undone_by: None }
    }

    /// Whether it is not undone.
    pub(crate) fn is_in_force(&self) -> bool {
        self.undone_us.is_none()
    }

    /// Who undid it, as the end of a sentence; empty while it is in force.
    pub(crate) fn undone(&self) -> String {
        match (self.undone_us, self.undone_by.as_deref()) {
            (None, _) => String::new(),
            (Some(_), None | Some("")) => ", undone".to_owned(),
            (Some(_), Some(by)) => format!(", undone by {by}"),
        }
    }
}

/// All corrections of a session, oldest first, those that were undone too.
pub(crate) fn corrections(connection: &Connection, session: i64) -> Result<Vec<StoredCorrection>, StoreError> {
    records(connection, "SELECT * FROM correction WHERE session = ?1 ORDER BY id", [session])
}

/// The visit as it was told at first.
pub(crate) fn recorded_visit(connection: &Connection, session: &SessionRow) -> Result<Visit, StoreError> {
    let mut visit = serde_json::to_value(&session.visit).unwrap_or_default();
    let mut known: Vec<CorrectedField> = Vec::new();
    for StoredCorrection { correction, .. } in corrections(connection, session.id)? {
        let Correction { field, value_before, .. } = correction;
        if known.contains(&field) {
            continue;
        }
        known.push(field);
        let value = match field {
            CorrectedField::Ambient | CorrectedField::Part => value_before.parse::<f64>().ok().into(),
            CorrectedField::State => Some(value_before).filter(|word| !word.is_empty()).into(),
            _ => serde_json::Value::from(value_before),
        };
        if let Some(own) = visit.get_mut(field.word()) {
            *own = value;
        }
    }
    Ok(serde_json::from_value(visit).unwrap_or_else(|_| session.visit.clone()))
}

/// The events of a session as they were kept.
pub(crate) fn first_events(connection: &Connection, session: i64) -> Result<Vec<EventRow>, StoreError> {
    records(connection, "SELECT * FROM event WHERE session = ?1 ORDER BY id", [session])
}

/// The events of a session in the order in which they were kept, its marks as they are right.
pub(crate) fn events(connection: &Connection, session: i64) -> Result<Vec<EventRow>, StoreError> {
    let mut events: Vec<Option<EventRow>> = first_events(connection, session)?.into_iter().map(Some).collect();
    let is_mark = |event: &Option<EventRow>| event.as_ref().is_some_and(|event| event.kind == EventKind::Mark);
    let marks: Vec<usize> = (0..events.len()).filter(|place| is_mark(&events[*place])).collect();
    let mut is_moved = false;
    for one in corrections(connection, session)?.into_iter().filter(StoredCorrection::is_in_force) {
        let Correction { field, subject, value_after, .. } = one.correction;
        let number = subject.parse::<usize>().ok().and_then(|number| number.checked_sub(1));
        let Some(place) = number.and_then(|number| marks.get(number)).copied() else { continue };
        match (field, &mut events[place]) {
            (CorrectedField::MarkText, Some(mark)) => mark.text = value_after,
            (CorrectedField::MarkTime, Some(mark)) => {
                let seconds = value_after.trim_end_matches(['s', ' ']).parse::<f64>();
                mark.at_us = seconds.map_or(mark.at_us, |seconds| (seconds * 1e6).round() as i64);
                is_moved = true;
            }
            (CorrectedField::MarkDeleted, mark) => *mark = None,
            _ => {}
        }
    }
    let mut events: Vec<EventRow> = events.into_iter().flatten().collect();
    if is_moved {
        events.sort_by_key(|event| event.at_us);
    }
    Ok(events)
}

/// Rowid of the first sample of a session that was measured at this time or later, µs; the one behind its last where there is
/// none.
pub(crate) fn first_row_at(connection: &Connection, session: &SessionRow, at_us: i64) -> Result<i64, StoreError> {
    let sql = "SELECT COALESCE(MIN(rowid), ?2 + 1) FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND time_us >= ?3";
    Ok(connection.query_row(sql, (session.first_row, session.last_row, at_us), |row| row.get(0))?)
}
