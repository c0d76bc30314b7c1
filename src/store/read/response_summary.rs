//! Responses of one rule, matched up over a visit: how many, how soon, how many out of limit.

use super::ResponseRow;
use crate::{electrics::median, session::Verdict};

/// What came of one rule.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ResponseSummary {
    /// The rule in words.
    pub rule: String,
    /// How often it was triggered.
    pub count: usize,
    /// Of these, in limit.
    pub good: usize,
    /// The middle delay, s; none where nothing moved.
    pub median_s: Option<f64>,
    /// The longest delay, s; none where nothing moved.
    pub longest_s: Option<f64>,
    /// Why those that are not in limit are not, oldest first.
    pub reasons: Vec<String>,
}

/// One summary for each rule, in the order in which the rules were first triggered.
pub(crate) fn response_summaries(rows: &[ResponseRow]) -> Vec<ResponseSummary> {
    let mut rules: Vec<&str> = Vec::new();
    for row in rows {
        if !rules.contains(&row.rule.as_str()) {
            rules.push(&row.rule);
        }
    }
    let summary = |rule: &str| {
        let own: Vec<&ResponseRow> = rows.iter().filter(|row| row.rule == rule).collect();
        let delays: Vec<f64> = own.iter().filter_map(|row| row.delay_s).collect();
        let is_good = |row: &&&ResponseRow| row.verdict == Some(Verdict::InLimit);
        ResponseSummary {
            rule: rule.to_owned(),
            count: own.len(),
            good: own.iter().filter(is_good).count(),
            median_s: median(&delays),
            longest_s: delays.iter().copied().reduce(f64::max),
            reasons: own.iter().filter(|row| !is_good(row)).map(|row| row.reason.clone()).collect(),
        }
    };
    rules.into_iter().map(summary).collect()
}
