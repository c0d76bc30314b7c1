//! The steps as the sheet shows them.

use jiff::{Timestamp, tz::TimeZone};

use super::number_line::NumberLine;
use crate::{
    session::Verdict,
    store::read::{CaptureRow, SessionRow, StepRow},
    units::{Dimension, Limit, Quantity, Unit},
};

/// One step on the sheet.
pub(super) struct SheetRow {
    /// Its place in the procedure, or its count in a free-running session; empty for a capture beside the step's own.
    pub place: String,
    pub name: String,
    pub value: String,
    pub limit: String,
    pub verdict: &'static str,
    /// A shape beside the word, so that black and white print tells the same.
    pub shape: &'static str,
    /// The class of the page's style.
    pub class: &'static str,
    pub why: String,
    /// What the leads proved it by, a touch each.
    pub proof: Vec<String>,
    /// The value on a number line, where there is a value and a limit.
    pub line: Option<String>,
    /// A step of the same kind that is in limit, whose value the number line shows too.
    pub good: Option<String>,
    /// What machines known to be good showed.
    pub known: Option<String>,
}

impl SheetRow {
    /// A step; `others` are those among which a good value of the same kind is looked for.
    pub(super) fn new(step: &StepRow, others: &[&StepRow]) -> Self {
        let limit = limit_of(step);
        let capture = step.capture.as_ref();
        let (shape, class) = verdict_mark(step.verdict);
        let good = matches!(step.verdict, Some(Verdict::OutOfLimit | Verdict::TooCloseToCall))
            .then(|| others.iter().find(|other| is_good_example(other, step)))
            .flatten();
        let good_value = good.and_then(|good| good.capture.as_ref()?.value);
        let line = limit.zip(capture).and_then(|(limit, capture)| number_line(limit, capture, good_value));
        Self {
            place: step.place.unwrap_or(step.number).to_string(),
            name: step.title(),
            value: capture.map_or("–".to_owned(), captured),
            limit: limit.map(|limit| limit.to_string()).or(step.limit_text.clone()).unwrap_or("–".to_owned()),
            verdict: verdict_word(step),
            shape,
            class,
            why: step.why().unwrap_or_default().to_owned(),
            proof: step.capture.as_ref().map_or(Vec::new(), |capture| capture.proof.clone()),
            line,
            known: None,
            good: good.map(|good| format!("{}, {}", good.name, good.capture.as_ref().map_or(String::new(), captured))),
        }
    }

    /// A capture that its step was not judged on.
    pub(super) fn other(capture: &CaptureRow) -> Self {
        let (shape, class) = verdict_mark(capture.verdict);
        let reason = capture.verdict.map(|_| capture.reason.as_str());
        let words: Vec<&str> = reason.into_iter().chain(capture.flags.iter().map(|flag| flag.word())).collect();
        Self {
            place: String::new(),
            name: format!("{} ({})", capture.channel.as_deref().unwrap_or("–"), capture.how.word()),
            value: captured(capture),
            limit: "–".to_owned(),
            verdict: capture.verdict.map_or("–", Verdict::word),
            shape,
            class,
            why: words.join("; "),
            proof: capture.proof.clone(),
            line: None,
            good: None,
            known: None,
        }
    }

    /// Whether the first page has to show it: what is not in limit.
    pub(super) fn matters(&self) -> bool {
        matches!(self.class, "bad" | "close")
    }
}

/// What a step allows; none where it has no limit.
pub(super) fn limit_of(step: &StepRow) -> Option<Limit> {
    step.limit_low.or(step.limit_high)?;
    Some(Limit { low: step.limit_low, high: step.limit_high, dimension: dimension_of(step)? })
}

/// What a step measures: by its own words, else by the unit of its limit, else by what was captured.
pub(super) fn dimension_of(step: &StepRow) -> Option<Dimension> {
    let of_limit = || Some(Unit::parse(step.unit.as_ref()?).ok()?.dimension);
    let captured = || Some(step.capture.as_ref()?.quantity?.dimension());
    step.quantity.map(Quantity::dimension).or_else(of_limit).or_else(captured)
}

/// A captured value beside its limit; none where the meter was on another function, whose values have no place on that line.
pub(super) fn number_line(limit: Limit, capture: &CaptureRow, good: Option<f64>) -> Option<String> {
    let value = value_beside(limit, capture)?;
    Some(NumberLine { limit, value, half_width: capture.u.map(|u| 2.0 * u), good }.svg())
}

/// A captured value that may stand on the line of a limit.
pub(super) fn value_beside(limit: Limit, capture: &CaptureRow) -> Option<f64> {
    let is_of_limit = capture.quantity.is_none_or(|quantity| quantity.dimension() == limit.dimension);
    capture.value.filter(|_| is_of_limit)
}

fn is_good_example(other: &StepRow, of: &StepRow) -> bool {
    other.verdict == Some(Verdict::InLimit)
        && other.name != of.name
        && (other.limit_low, other.limit_high, other.quantity) == (of.limit_low, of.limit_high, of.quantity)
        && other.capture.as_ref().is_some_and(|capture| capture.value.is_some())
}

/// A captured value with its expanded uncertainty (k = 2) where that is known, or its answer.
pub(super) fn captured(capture: &CaptureRow) -> String {
    capture.shown().unwrap_or("–".to_owned())
}

pub(super) fn verdict_word(step: &StepRow) -> &'static str {
    match (step.verdict, step.left.as_deref()) {
        (Some(verdict), _) => verdict.word(),
        (None, Some("skipped")) => "skipped",
        (None, Some("interrupted")) => "interrupted",
        (None, _) if step.capture.is_some() => "no limit",
        (None, _) => "–",
    }
}

pub(super) fn verdict_mark(verdict: Option<Verdict>) -> (&'static str, &'static str) {
    match verdict {
        Some(Verdict::InLimit) => ("●", "good"),
        Some(Verdict::OutOfLimit) => ("■", "bad"),
        Some(Verdict::TooCloseToCall) => ("◆", "close"),
        Some(_) | None => ("○", "none"),
    }
}

/// When a session began, in this time zone.
pub(super) fn began(session: &SessionRow, zone: &TimeZone) -> String {
    Timestamp::from_microsecond(session.began_utc_us)
        .map_or(String::new(), |time| time.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string())
}
