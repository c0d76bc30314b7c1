//! What was found while steps watched: excursions, drop-outs, changes and responses. A record here is the row of its table and its JSON.

use rusqlite::Connection;
use serde::{Deserialize, Serialize};

use super::{JudgementOf, SessionRow, find, lines, seconds};
use crate::{
    session::{RangeEnd, SignalShape, Verdict},
    store::{StoreError, stored_value::read_range_end},
    units::Quantity,
};

/// One row of the table `excursion`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ExcursionRow {
    /// step.number
    pub step: i64,
    /// Counted from 1 over the step.
    pub number: i64,
    /// channel.name
    pub channel: String,
    /// What was measured.
    pub quantity: Quantity,
    /// Unit of worst and limits.
    pub unit: String,
    /// The first sample out of limit, since the session began: µs in the row, s in JSON.
    #[serde(rename = "began_s", alias = "began_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub began_us: i64,
    /// The first sample that was not; none while it lasts.
    #[serde(rename = "ended_s", alias = "ended_us", serialize_with = "seconds::or_none")]
    #[schema(value_type = Option<f64>)]
    pub ended_us: Option<i64>,
    /// None when beyond the meter's range.
    pub worst: Option<f64>,
    /// Which end of the range it was beyond.
    #[serde(deserialize_with = "read_range_end")]
    pub beyond: Option<RangeEnd>,
    /// When the worst was.
    #[serde(rename = "worst_s", alias = "worst_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub worst_us: i64,
    /// Least value that is in limit.
    pub limit_low: Option<f64>,
    /// Greatest value that is in limit.
    pub limit_high: Option<f64>,
    /// What the other channels showed at the worst.
    #[serde(deserialize_with = "lines::of_texts")]
    pub shown: Vec<String>,
}

/// One row of the table `dropout`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct DropOutRow {
    /// step.number
    pub step: i64,
    /// Channels that fell together have one number.
    pub number: i64,
    /// channel.name
    pub channel: String,
    /// What was measured.
    pub quantity: Quantity,
    /// Unit of level and least.
    pub unit: String,
    /// The first sample that had fallen, since the session began: µs in the row, s in JSON.
    #[serde(rename = "began_s", alias = "began_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub began_us: i64,
    /// The first sample that was back.
    #[serde(rename = "ended_s", alias = "ended_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub ended_us: i64,
    /// What it fell from.
    pub level: f64,
    /// The least that was seen.
    pub least: f64,
    /// Samples that had fallen.
    pub samples: i64,
}

/// One row of the table `change`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ChangeRow {
    /// step.number
    pub step: i64,
    /// Counted from 1 over the step.
    pub number: i64,
    /// channel.name
    pub channel: String,
    /// What was measured.
    pub quantity: Quantity,
    /// Unit of the levels.
    pub unit: String,
    /// When it was halfway, since the session began: µs in the row, s in JSON.
    #[serde(rename = "at_s", alias = "at_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub at_us: i64,
    /// The level before.
    pub level_before: f64,
    /// The level after.
    pub level_after: f64,
    /// From 10 % to 90 % of the way.
    #[serde(rename = "lasted_s", alias = "lasted_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub lasted_us: i64,
    /// Between two samples then.
    #[serde(rename = "interval_s", alias = "interval_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub interval_us: i64,
}

/// One row of the table `response`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ResponseRow {
    /// step.number
    pub step: i64,
    /// Counted from 1 over the step.
    pub number: i64,
    /// Which rule of the step, in words.
    pub rule: String,
    /// The channel that was to respond.
    pub channel: String,
    /// What was measured; none where it showed nothing.
    pub quantity: Option<Quantity>,
    /// Unit of the levels.
    pub unit: Option<String>,
    /// When the mark or the change was, since the session began: µs in the row, s in JSON.
    #[serde(rename = "at_s", alias = "at_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub at_us: i64,
    /// How long after it the channel was halfway, s; none where it did not move.
    pub delay_s: Option<f64>,
    /// Standard uncertainty of the delay, s.
    pub u_s: Option<f64>,
    /// The level before.
    pub level_before: Option<f64>,
    /// The level after.
    pub level_after: Option<f64>,
    /// From 10 % to 90 % of the way, s.
    pub lasted_s: Option<f64>,
    /// Its verdict.
    pub verdict: Option<Verdict>,
    /// One sentence.
    pub reason: String,
}

/// One row of the table `waveform`: the shape of a signal in a step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct WaveformRow {
    /// step.number
    pub step: i64,
    /// channel.name
    pub channel: String,
    /// What was measured.
    pub quantity: Quantity,
    /// Unit of all values but those of time.
    pub unit: String,
    /// How it went.
    pub shape: SignalShape,
    /// Samples a second.
    pub rate_hz: f64,
    /// How many it rests on.
    pub samples: i64,
    /// Their least.
    pub least: f64,
    /// Their greatest.
    pub greatest: f64,
    /// Their mean.
    pub mean: f64,
    /// Root of their mean square; none where samples are too slow for it, as all that follows.
    pub rms: Option<f64>,
    /// Mean of those near the low level.
    pub low_level: Option<f64>,
    /// Mean of those near the high level.
    pub high_level: Option<f64>,
    /// How often it repeats.
    pub frequency_hz: Option<f64>,
    /// Standard uncertainty of it.
    pub frequency_u: Option<f64>,
    /// Share of the time at the high level, %.
    pub duty: Option<f64>,
    /// Standard uncertainty of it.
    pub duty_u: Option<f64>,
    /// About the trend, RMS.
    pub ripple_rms: Option<f64>,
    /// About the trend, peak-to-peak.
    pub ripple_pp: Option<f64>,
    /// How often it was switched on; none where that was not looked at.
    pub switch_ons: Option<i64>,
    /// The greatest as it was switched on.
    pub peak: Option<f64>,
    /// What it settled at then.
    pub hold: Option<f64>,
    /// Time constant of the rise, s.
    pub time_constant_s: Option<f64>,
    /// Standard uncertainty of it, s.
    pub time_constant_u: Option<f64>,
}

/// The shapes of a session's signals, step by step.
pub(crate) fn waveforms(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<WaveformRow>, StoreError> {
    of.into().rows(connection, "waveform", "step, channel, quantity")
}

/// The changes of a session in the order in which they were found.
pub(crate) fn changes(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<ChangeRow>, StoreError> {
    of.into().rows(connection, "change", "step, number")
}

/// The responses of a session in the order in which they were decided.
pub(crate) fn responses(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<ResponseRow>, StoreError> {
    of.into().rows(connection, "response", "step, number")
}

/// The excursions of a session in the order in which they began.
pub(crate) fn excursions(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<ExcursionRow>, StoreError> {
    of.into().rows(connection, "excursion", "step, number")
}

/// The drop-outs of a session; those that belong together follow each other.
pub(crate) fn dropouts(connection: &Connection, of: impl Into<JudgementOf>) -> Result<Vec<DropOutRow>, StoreError> {
    of.into().rows(connection, "dropout", "step, number, began_us, channel")
}

/// The sessions of one visit in this file, the oldest first: those that this one continues, itself, and those that continue it.
pub(crate) fn all_parts(connection: &Connection, session: i64) -> Result<Vec<SessionRow>, StoreError> {
    let sql = "WITH RECURSIVE part (id, uuid) AS (
                   SELECT id, uuid FROM session WHERE id = ?1
                   UNION
                   SELECT session.id, session.uuid FROM session JOIN part ON session.continues = part.uuid)
               SELECT id FROM part WHERE id <> ?1 ORDER BY id";
    let mut statement = connection.prepare_cached(sql)?;
    let later = statement.query_map([session], |row| row.get(0))?.collect::<rusqlite::Result<Vec<i64>>>()?;
    let ids = parts(connection, session)?.into_iter().chain(later);
    ids.map(|id| find(connection, &id.to_string())).collect()
}

/// The sessions of one visit in this file, the oldest first: those that this one continues, and itself.
pub(crate) fn parts(connection: &Connection, session: i64) -> Result<Vec<i64>, StoreError> {
    let sql = "WITH RECURSIVE part (id, continues) AS (
                   SELECT id, continues FROM session WHERE id = ?1
                   UNION
                   SELECT session.id, session.continues FROM session JOIN part ON session.uuid = part.continues)
               SELECT id FROM part ORDER BY id";
    let mut statement = connection.prepare_cached(sql)?;
    let ids = statement.query_map([session], |row| row.get(0))?;
    Ok(ids.collect::<rusqlite::Result<_>>()?)
}
