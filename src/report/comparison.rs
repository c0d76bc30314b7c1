//! Two sessions on one sheet for the customer: before and after on the same number line.

use askama::Template;
use jiff::tz::TimeZone;

use super::{
    ReportError,
    rows::{began, captured, limit_of, number_line, value_beside, verdict_mark, verdict_word},
    sanitized_page,
};
use crate::{
    judging::{ComparedStep, Comparison, StepChange},
    session::Verdict,
    store::read::StepRow,
};

#[derive(Template)]
#[template(path = "comparison.html", config = "src/report/askama.toml")]
struct ComparisonSheet<'a> {
    title: String,
    visit: Vec<(&'static str, String)>,
    complaint: &'a str,
    result: String,
    doubts: &'a [String],
    rows: Vec<ComparisonRow>,
    /// Those that were in limit before, and were not measured again.
    not_again: Vec<&'a str>,
    measured_by: &'a str,
    before: &'a str,
    after: &'a str,
    made_with: &'static str,
}

/// Shape, class of the style, and word of a verdict.
type VerdictMark = (&'static str, &'static str, &'static str);

struct ComparisonRow {
    name: String,
    before: String,
    after: String,
    difference: String,
    change: &'static str,
    limit: String,
    was: VerdictMark,
    is: VerdictMark,
    line: Option<String>,
}

/// The sheet of a comparison.
///
/// # Errors
/// The page can't be composed.
pub(crate) fn write_comparison(
    comparison: &Comparison,
    measured_by: &str,
    zone: &TimeZone,
) -> Result<String, ReportError> {
    let Comparison { before, after, steps, doubts } = comparison;
    let visit = &after.visit;
    let words = [
        ("Machine", visit.machine.clone()),
        ("Job", visit.job.clone()),
        ("VIN or serial number", visit.vin.clone()),
        ("Before", began(before, zone)),
        ("After", began(after, zone)),
    ];
    let page = ComparisonSheet {
        title: format!("{}, before and after", after.procedure.as_deref().unwrap_or("Measurements")),
        visit: words.into_iter().filter(|(_, text)| !text.is_empty()).collect(),
        complaint: if visit.complaint.is_empty() { &before.visit.complaint } else { &visit.complaint },
        result: comparison.result(),
        doubts,
        rows: steps.iter().filter(|step| !is_good_before(step)).map(row).collect(),
        not_again: steps.iter().filter(|step| is_good_before(step)).map(|step| step.step.as_str()).collect(),
        measured_by,
        before: &before.uuid,
        after: &after.uuid,
        made_with: env!("CARGO_PKG_VERSION"),
    };
    Ok(sanitized_page(&page.render()?))
}

/// Whether it was not done, or left before anything was read.
fn is_not_measured(step: Option<&StepRow>) -> bool {
    step.is_none_or(|step| matches!(step.verdict, None | Some(Verdict::NoReading)) && !step.has_value())
}

/// Whether nothing is missing of a step that was not measured again: it was in limit.
fn is_good_before(step: &ComparedStep) -> bool {
    is_not_measured(step.after.as_ref())
        && step.before.as_ref().is_some_and(|before| before.verdict == Some(Verdict::InLimit))
}

fn row(step: &ComparedStep) -> ComparisonRow {
    let value =
        |row: &Option<StepRow>| row.as_ref().and_then(|row| row.capture.as_ref()).map_or("–".to_owned(), captured);
    let looks = |row: &Option<StepRow>, missing: &'static str| {
        let (shape, class) = verdict_mark(row.as_ref().and_then(|row| row.verdict));
        (shape, class, row.as_ref().filter(|_| !is_not_measured(row.as_ref())).map_or(missing, verdict_word))
    };
    let limit = step.after.as_ref().or(step.before.as_ref()).and_then(limit_of);
    let captured_in = |row: &Option<StepRow>| row.as_ref()?.capture.clone();
    let line = limit.zip(captured_in(&step.after)).and_then(|(limit, capture)| {
        let good = captured_in(&step.before).and_then(|before| value_beside(limit, &before));
        number_line(limit, &capture, good)
    });
    ComparisonRow {
        name: step.step.clone(),
        before: value(&step.before),
        after: value(&step.after),
        difference: step.difference_text(),
        change: if step.change == StepChange::Open { "" } else { step.change.word() },
        limit: limit.map_or("–".to_owned(), |limit| limit.to_string()),
        was: looks(&step.before, "not measured"),
        is: looks(&step.after, "not measured again"),
        line,
    }
}
