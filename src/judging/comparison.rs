//! Two sessions of one machine, before and after a repair: step by step, with the uncertainty of the difference.

mod result;

use result::VerdictChange;
use rusqlite::Connection;
use serde::Serialize;

use crate::{
    electrics::{Uncertain, difference_with_covariance, normalized_difference},
    session::SharedGainError,
    store::{
        StoreError,
        read::{self, CaptureRow, ChannelRow, SessionRow, StepRow, channels, last_attempts},
    },
    units::{DataSheet, Quantity, Scale},
};

/// Both uncertainties are expanded by this factor.
const COVERAGE: f64 = 2.0;

/// What can be said of a step that was done in both sessions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum StepChange {
    /// It was out of limit or too close to call, and is in limit now.
    Mended,
    /// It was in limit, and is not any more.
    Worse,
    /// The value has changed by more than the uncertainty, the verdict has not.
    Changed,
    /// The values differ by no more than their uncertainty.
    Same,
    /// At least one of the two has no value, or they are of different quantities.
    Open,
}

impl StepChange {
    /// In words.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Mended => "mended",
            Self::Worse => "worse",
            Self::Changed => "changed",
            Self::Same => "same",
            Self::Open => "–",
        }
    }
}

/// One step in both sessions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct ComparedStep {
    /// Its name.
    pub step: String,
    /// As it was; none where it was not done.
    pub before: Option<StepRow>,
    /// As it is; none where it was not done.
    pub after: Option<StepRow>,
    /// After minus before, base units of the quantity; none where one of them has no number.
    pub difference: Option<f64>,
    /// Standard uncertainty of the difference. What one meter reads too high both times is no part of it.
    pub difference_u: Option<f64>,
    /// The difference over its expanded uncertainty (k = 2): beyond ±1 something has changed.
    pub normalized: Option<f64>,
    /// Whether both were measured with the same meter, clamp and accuracy.
    pub same_meter: bool,
    /// What that comes to.
    pub change: StepChange,
    /// What the two verdicts say.
    #[serde(skip)]
    verdicts: VerdictChange,
}

/// Two sessions, step by step in the order of the first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Comparison {
    /// The session before.
    pub before: SessionRow,
    /// The session after.
    pub after: SessionRow,
    /// The steps.
    pub steps: Vec<ComparedStep>,
    /// What may be wrong with comparing these two, a sentence each.
    pub doubts: Vec<String>,
}

/// Why two sessions can't be compared.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ComparisonError {
    /// It is one session.
    #[error("session {id} can't be compared with itself; name two sessions of the machine, before and after")]
    Itself {
        /// Its number.
        id: i64,
    },
    /// No step was done in both.
    #[error("sessions {before} and {after} have no step in common, so there is nothing to compare")]
    NothingInCommon {
        /// The session before.
        before: i64,
        /// The session after.
        after: i64,
    },
    /// The database can't be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Compares two sessions by their judgements in force.
///
/// # Errors
/// They have nothing in common, or can't be read.
pub(crate) fn compare(
    (file, before): (&Connection, &SessionRow),
    (other, after): (&Connection, &SessionRow),
) -> Result<Comparison, ComparisonError> {
    if before.uuid == after.uuid {
        return Err(ComparisonError::Itself { id: before.id });
    }
    // A retest that was broken off and went on later is one.
    let mut parts = read::all_parts(other, after.id)?;
    let is_one_visit = parts.iter().any(|part| part.uuid == before.uuid);
    let is_earlier_part = |part: &SessionRow| after.retests.is_some() && !is_one_visit && part.id < after.id;
    parts.retain(|part| part.id == after.id || is_earlier_part(part));
    let (all_before, mut all_after) = (read::steps(file, before)?, Vec::new());
    let (channels_before, mut channels_after) = (channels(file, before.id)?, Vec::new());
    // The newest channel of a name is the one that counts.
    for part in &parts {
        all_after.extend(read::steps(other, part)?);
        channels_after.splice(0..0, channels(other, part.id)?);
    }
    let (was, is) = (last_attempts(&all_before), last_attempts(&all_after));
    let of = |steps: &[&StepRow], name: &str| steps.iter().find(|step| step.name == name).map(|step| (*step).clone());
    let mut names: Vec<&str> = Vec::new();
    for step in was.iter().chain(&is) {
        if !names.contains(&step.name.as_str()) {
            names.push(&step.name);
        }
    }
    let steps: Vec<ComparedStep> = names
        .into_iter()
        .map(|name| compared(name, of(&was, name), of(&is, name), &channels_before, &channels_after))
        .collect();
    if !steps.iter().any(|step| step.before.is_some() && step.after.is_some()) {
        return Err(ComparisonError::NothingInCommon { before: before.id, after: after.id });
    }
    Ok(Comparison { doubts: doubts(before, after, is_one_visit), before: before.clone(), after: after.clone(), steps })
}

impl ComparedStep {
    /// After minus before with its sign and its expanded uncertainty; `–` where there is none.
    pub(crate) fn difference_text(&self) -> String {
        let capture = self.after.as_ref().and_then(|step| step.capture.as_ref());
        let (Some(difference), Some(capture)) = (self.difference, capture) else { return "–".to_owned() };
        let sign = if difference > 0.0 { "+" } else { "" };
        match self.difference_u {
            Some(u) => format!("{sign}{}", capture.format().show_with(difference, COVERAGE * u)),
            None => format!("{sign}{}", capture.format().show(difference)),
        }
    }
}

impl Comparison {
    /// One sentence of result.
    pub(crate) fn result(&self) -> String {
        result::sentence(self.steps.iter().map(|step| (step.step.as_str(), step.verdicts)))
    }
}

fn doubts(before: &SessionRow, after: &SessionRow, is_one_visit: bool) -> Vec<String> {
    let mut doubts = Vec::new();
    if is_one_visit {
        doubts.push(format!(
            "sessions {} and {} are parts of one visit that was cut off and continued: what differs is not a repair",
            before.id, after.id
        ));
    }
    let differ = |one: &str, other: &str| !one.is_empty() && !other.is_empty() && !one.eq_ignore_ascii_case(other);
    let (old, new) = (&before.visit, &after.visit);
    if differ(&old.vin, &new.vin) || (old.vin.is_empty() || new.vin.is_empty()) && differ(&old.machine, &new.machine) {
        doubts.push(format!(
            "these may be two machines: session {} is of \"{}\" {}, session {} of \"{}\" {}",
            before.id, old.machine, old.vin, after.id, new.machine, new.vin
        ));
    }
    if after.began_utc_us < before.began_utc_us {
        doubts.push(format!(
            "by the computer's clock session {} began before session {}: check which one is before the work",
            after.id, before.id
        ));
    }
    doubts
}

fn compared(
    name: &str,
    before: Option<StepRow>,
    after: Option<StepRow>,
    channels_before: &[ChannelRow],
    channels_after: &[ChannelRow],
) -> ComparedStep {
    let captures = before
        .as_ref()
        .and_then(|step| step.capture.as_ref())
        .zip(after.as_ref().and_then(|step| step.capture.as_ref()));
    let channel = |capture: &CaptureRow, rows: &[ChannelRow]| {
        let fits =
            |row: &&ChannelRow| Some(&row.name) == capture.channel.as_ref() && Some(row.quantity) == capture.quantity;
        rows.iter().find(fits).cloned()
    };
    let of_meters =
        captures.and_then(|(one, other)| Some((channel(one, channels_before)?, channel(other, channels_after)?)));
    let same_meter = of_meters.as_ref().is_some_and(|(one, other)| {
        (&one.meter, &one.scale, &one.accuracy) == (&other.meter, &other.scale, &other.accuracy)
            && one.name == other.name
    });
    let numbers = captures
        .filter(|(one, other)| one.quantity == other.quantity)
        .and_then(|(one, other)| Some((one.value?, other.value?, one.u.zip(other.u), one.quantity?)));
    let difference = numbers.map(|(was, is, ..)| is - was);
    let uncertain = numbers.and_then(|(was, is, us, quantity)| {
        let (u_was, u_is) = us?;
        let gain = of_meters.as_ref().filter(|_| same_meter).and_then(|(row, _)| shared_gain(row, quantity, was, is));
        let covariance = was * is * gain.unwrap_or(0.0).powi(2);
        Some(difference_with_covariance(Uncertain::new(is, u_is), Uncertain::new(was, u_was), covariance))
    });
    let normalized = uncertain.and_then(|difference| normalized_difference(difference, COVERAGE));
    let of = |step: &Option<StepRow>| step.as_ref().and_then(|step| step.verdict);
    let verdicts = VerdictChange::of(of(&before), of(&after));
    let change = match (verdicts, normalized, difference) {
        (VerdictChange::Worse, ..) => StepChange::Worse,
        (VerdictChange::Mended, ..) => StepChange::Mended,
        (_, Some(normalized), _) if normalized.abs() > 1.0 => StepChange::Changed,
        (_, Some(_), _) | (_, None, Some(0.0)) => StepChange::Same,
        _ => StepChange::Open,
    };
    ComparedStep {
        step: name.to_owned(),
        difference,
        difference_u: uncertain.map(|difference| difference.u),
        normalized,
        same_meter,
        change,
        verdicts,
        before,
        after,
    }
}

/// The relative standard uncertainty of the gain that both values share: the same meter on the same range, and the same clamp.
fn shared_gain(row: &ChannelRow, quantity: Quantity, was: f64, is: f64) -> Option<f64> {
    let sheet: DataSheet = row.accuracy.parse().ok()?;
    let scale: Scale = if row.scale.is_empty() { Scale::NONE } else { row.scale.parse().ok()? };
    let of = |value: f64| Some(SharedGainError::of(&row.name, quantity, sheet.row_for(quantity, value, None)?, &scale));
    let (one, other) = (of(was)?, of(is)?);
    // Each range has a gain of its own.
    (one == other).then_some(one.relative_u)
}
