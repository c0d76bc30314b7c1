//! What a session came to: its steps, captures, figures, findings and events. A record here is the row of its table and
//! its JSON: times are whole microseconds in the row and seconds in JSON.

use std::collections::HashMap;

use rusqlite::Connection;
use serde::{
    Deserialize, Deserializer, Serialize,
    de::{DeserializeOwned, IgnoredAny},
};

use super::{SessionRow, lines, seconds};
use crate::{
    procedure::YesNo,
    protocol::Value,
    session::{CaptureFlag, CaptureMethod, EventKind, RangeEnd, Verdict, findings::FindingRecord},
    store::{StoreError, record::records, stored_value::read_range_end},
    units::{Limit, Quantity, ValueFormat, show_seconds, show_with},
};

/// One row of the table `step` with the capture it was judged on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct StepRow {
    /// Counted from 1 over the session.
    pub number: i64,
    /// Place in the procedure; none when free-running.
    pub place: Option<i64>,
    /// Which time it was done.
    pub attempt: i64,
    /// What it is called.
    pub name: String,
    /// What it belongs to.
    pub circuit: Option<String>,
    /// Since the session began: µs in the row, s in JSON.
    #[serde(rename = "began_s", alias = "began_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub began_us: i64,
    /// Since the session began, none while it is on: µs in the row, s in JSON.
    #[serde(rename = "ended_s", alias = "ended_us", serialize_with = "seconds::or_none")]
    #[schema(value_type = Option<f64>)]
    pub ended_us: Option<i64>,
    /// done, back, again, skipped …; none while it is on.
    #[serde(rename(deserialize = "left_how"))]
    pub left: Option<String>,
    /// The channel that is judged.
    pub channel: Option<String>,
    /// What the meter had to be switched to.
    pub quantity: Option<Quantity>,
    /// Unit of the limits.
    pub unit: Option<String>,
    /// Least value that is in limit.
    pub limit_low: Option<f64>,
    /// Greatest value that is in limit.
    pub limit_high: Option<f64>,
    /// The limit as written, where it refers to other values or is an answer.
    pub limit_text: Option<String>,
    /// None where nothing was judged.
    pub verdict: Option<Verdict>,
    /// One sentence.
    pub reason: Option<String>,
    /// What it was judged on.
    #[serde(default, deserialize_with = "of_its_own_table")]
    pub capture: Option<CaptureRow>,
    /// capture.id
    #[serde(skip_serializing)]
    capture_id: Option<i64>,
    /// Rowid of its first sample.
    #[serde(skip_serializing)]
    pub first_row: i64,
    /// Rowid of its last sample; none while it is on.
    #[serde(skip_serializing)]
    pub last_row: Option<i64>,
}

/// The row of a step has the number of its capture, whose own row is read apart.
fn of_its_own_table<'de, D: Deserializer<'de>>(from: D) -> Result<Option<CaptureRow>, D::Error> {
    IgnoredAny::deserialize(from).map(|_| None)
}

impl StepRow {
    /// Whether it was decided: in or out of limit, or too close to call.
    pub(crate) fn is_decided(&self) -> bool {
        matches!(self.verdict, Some(Verdict::InLimit | Verdict::OutOfLimit | Verdict::TooCloseToCall))
    }

    /// Whether a value or an answer came of it.
    pub(crate) fn has_value(&self) -> bool {
        let value =
            |capture: &CaptureRow| capture.value.is_some() || capture.beyond.is_some() || capture.answer.is_some();
        self.is_decided() || self.verdict.is_none() && self.capture.as_ref().is_some_and(value)
    }

    /// What it is called, with the attempt where it is not the first.
    pub(crate) fn title(&self) -> String {
        match self.attempt {
            ..=1 => self.name.clone(),
            attempt => format!("{} (attempt {attempt})", self.name),
        }
    }

    /// Why it has its verdict. What is in limit at the first attempt needs no words.
    pub(crate) fn why(&self) -> Option<&str> {
        self.reason.as_deref().filter(|_| self.verdict != Some(Verdict::InLimit) || self.attempt > 1)
    }
}

/// One row of the table `capture`. It differs from the capture on the control socket: a value beyond the range stands in
/// a column of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct CaptureRow {
    #[serde(skip_serializing)]
    id: i64,
    /// step.number; none where no step was on.
    pub step: Option<i64>,
    /// How it was chosen.
    pub how: CaptureMethod,
    /// Since the session began: µs in the row, s in JSON.
    #[serde(rename = "at_s", alias = "at_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub at_us: i64,
    /// Where.
    pub channel: Option<String>,
    /// What.
    pub quantity: Option<Quantity>,
    /// Unit of value and u.
    pub unit: Option<String>,
    /// None where there is none or it was beyond the range.
    pub value: Option<f64>,
    /// Which end of the range it was beyond.
    #[serde(deserialize_with = "read_range_end")]
    pub beyond: Option<RangeEnd>,
    /// What the meter showed, where the value is that corrected for heat.
    #[serde(skip_serializing)]
    pub measured: Option<f64>,
    /// Standard uncertainty of what the meter showed, where `u` holds more than that.
    #[serde(skip_serializing)]
    pub measured_u: Option<f64>,
    /// What the last digit that the meter showed is worth; none where that is not known.
    pub digit: Option<f64>,
    /// Least value that is in limit.
    #[serde(skip_serializing)]
    pub limit_low: Option<f64>,
    /// Greatest value that is in limit.
    #[serde(skip_serializing)]
    pub limit_high: Option<f64>,
    /// The answer, where a question was asked.
    pub answer: Option<YesNo>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// None where there is no limit.
    pub verdict: Option<Verdict>,
    /// One sentence.
    pub reason: String,
    /// The touches of the leads that prove it, a sentence each.
    #[serde(deserialize_with = "lines::of_texts")]
    pub proof: Vec<String>,
    /// What is to be known about it beside its verdict.
    #[serde(deserialize_with = "lines::of_words")]
    pub flags: Vec<CaptureFlag>,
    /// The value as a person reads it; only where it is asked for, no part of an export.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shown: Option<String>,
}

impl CaptureRow {
    /// How its values are written: to the last digit that the meter showed, with the prefix of the limit.
    pub(crate) fn format(&self) -> ValueFormat {
        let quantity = self.quantity.unwrap_or(Quantity::Number);
        let limit = Limit { low: self.limit_low, high: self.limit_high, dimension: quantity.dimension() };
        ValueFormat::new(quantity, self.digit, Some(&limit))
    }

    /// Its value or answer as a person reads it, with its expanded uncertainty (k = 2) where that is known; none where there is none.
    pub(crate) fn shown(&self) -> Option<String> {
        if let Some(answer) = self.answer {
            return Some(answer.word().to_owned());
        }
        match (self.value, self.u, self.beyond) {
            (Some(value), Some(u), _) => Some(self.format().show_with(value, 2.0 * u)),
            (Some(value), None, _) => Some(self.format().show(value)),
            (None, _, end) => end.map(|end| Value::from(end).shown(self.format())),
        }
    }

    /// Whether it was captured in this step.
    pub(crate) fn is_of(&self, step: &StepRow) -> bool {
        self.step == Some(step.number)
    }

    /// Whether it is what the step was judged on.
    pub(crate) fn is_judged_in(&self, step: &StepRow) -> bool {
        step.capture.as_ref().is_some_and(|capture| capture.id == self.id)
    }
}

/// One row of the table `figure` and its channel's names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct FigureRow {
    /// step.number
    pub step: i64,
    /// channel.name
    #[serde(rename(deserialize = "name"))]
    pub channel: String,
    /// channel.quantity
    pub quantity: Quantity,
    /// channel.unit
    pub unit: String,
    /// Numbers among the samples.
    pub count: i64,
    /// Samples beyond the range.
    pub beyond: i64,
    /// The last number.
    pub last: Option<f64>,
    /// Mean of the numbers.
    pub mean: Option<f64>,
    /// Sample standard deviation.
    pub deviation: Option<f64>,
    /// The least.
    pub min: Option<f64>,
    /// The greatest.
    pub max: Option<f64>,
    /// What the last digit of the numbers is worth; none where that is not known.
    pub digit: Option<f64>,
    /// How long it was out of the step's limit: µs in the row, s in JSON.
    #[serde(rename = "outside_s", alias = "outside_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub outside_us: i64,
}

/// One row of the table `event`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct EventRow {
    /// Since the session began, µs.
    pub at_us: i64,
    /// What kind of thing.
    pub kind: EventKind,
    /// What it concerns; empty where nothing.
    pub subject: String,
    /// One sentence.
    pub text: String,
}

/// One row of the table `zero`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(crate) struct ZeroRow {
    /// Since the session began, µs; 0 for one that was in use already.
    pub at_us: i64,
    /// channel.name
    pub channel: Option<String>,
    /// What was measured.
    pub quantity: Quantity,
    /// Subtracted from every later sample of the channel in this session.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

impl ZeroRow {
    /// Whether it was in use as the session began.
    pub(crate) fn is_of_before(&self) -> bool {
        self.at_us == 0
    }

    /// In one sentence.
    pub(crate) fn sentence(&self) -> String {
        let value = show_with(self.value, 2.0 * self.u, self.quantity);
        let channel = self.channel.as_deref().unwrap_or("a clamp");
        if self.is_of_before() {
            return format!("{channel} was zeroed before this session: {value} is subtracted");
        }
        format!("{channel} zeroed after {}: {value} is subtracted", show_seconds(self.at_us as f64 / 1e6))
    }
}

/// Whether a row belongs to the session ?1 and its judgement ?2, or to the one in force where that is NULL.
const IS_OF_JUDGEMENT: &str =
    "session = ?1 AND judgement = COALESCE(?2, (SELECT judgement FROM session WHERE id = ?1))";

/// A judgement of a session: the one in force where only the session is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct JudgementOf {
    session: i64,
    /// judgement.number; 0 for the first record, none for the one in force.
    number: Option<i64>,
}

impl JudgementOf {
    /// What was recorded at first.
    pub(crate) fn first(session: i64) -> Self {
        Self { session, number: Some(0) }
    }

    /// What one judgement of it came to.
    pub(super) fn numbered(session: i64, number: i64) -> Self {
        Self { session, number: Some(number) }
    }

    /// Its rows of a table, in this order.
    pub(super) fn rows<T: DeserializeOwned>(
        self,
        connection: &Connection,
        table: &str,
        order: &str,
    ) -> Result<Vec<T>, StoreError> {
        let sql = format!("SELECT * FROM {table} WHERE {IS_OF_JUDGEMENT} ORDER BY {order}");
        records(connection, &sql, (self.session, self.number))
    }
}

impl From<i64> for JudgementOf {
    fn from(session: i64) -> Self {
        Self { session, number: None }
    }
}

impl From<&SessionRow> for JudgementOf {
    fn from(session: &SessionRow) -> Self {
        Self { session: session.id, number: Some(session.judgement) }
    }
}

/// The steps of a session in the order in which they were begun.
pub(crate) fn steps(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<StepRow>, StoreError> {
    let of = of.into();
    let mut steps: Vec<StepRow> = of.rows(connection, "(SELECT *, capture AS capture_id FROM step)", "number")?;
    let captures = captures(connection, of)?;
    for step in &mut steps {
        let own = step.capture_id.and_then(|id| captures.binary_search_by_key(&id, |capture| capture.id).ok());
        step.capture = own.map(|index| captures[index].clone());
    }
    Ok(steps)
}

/// The last attempt of each step, in the order of the first ones. One that was left without a value does not replace the one
/// before.
pub(crate) fn last_attempts(steps: &[StepRow]) -> Vec<&StepRow> {
    let mut places: HashMap<&str, usize> = HashMap::new();
    let mut last: Vec<&StepRow> = Vec::new();
    for step in steps {
        match places.get(step.name.as_str()) {
            Some(&place) if last[place].has_value() && !step.has_value() => {}
            Some(&place) => last[place] = step,
            None => {
                places.insert(&step.name, last.len());
                last.push(step);
            }
        }
    }
    last
}

/// All captures of a session, oldest first.
pub(crate) fn captures(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<CaptureRow>, StoreError> {
    of.into().rows(connection, "capture", "id")
}

/// The figures of all steps that were left.
pub(crate) fn figures(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<FigureRow>, StoreError> {
    let named = "(SELECT figure.*, channel.name, channel.quantity, channel.unit
                  FROM figure JOIN channel ON channel.id = figure.channel)";
    of.into().rows(connection, named, "step, channel")
}

/// What follows from a session's captures, the best explained first.
pub(crate) fn findings(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<FindingRecord>, StoreError> {
    of.into().rows(connection, "finding", "rank")
}

/// The zeros of clamps that were taken, oldest first.
pub(crate) fn zeros(connection: &Connection, session: i64) -> Result<Vec<ZeroRow>, StoreError> {
    records(connection, "SELECT * FROM zero WHERE session = ?1 ORDER BY id", [session])
}
