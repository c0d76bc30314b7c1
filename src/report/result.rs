//! The result in a sentence or two that a customer understands.

use crate::{
    session::{
        Verdict,
        findings::{ConfidenceLevel, FindingRecord},
    },
    store::read::{StepRow, last_attempts},
};

/// The most names of steps in the result: the ledger below has all of them.
const MOST_NAMES: usize = 3;

/// What came out: the fault that explains it, then how many steps are out of limit, too close to call or not measured.
pub(super) fn result(steps: &[StepRow], findings: &[FindingRecord]) -> String {
    let last = last_attempts(steps);
    let of = |wanted: Verdict| -> Vec<&str> {
        last.iter().filter(|step| step.verdict == Some(wanted)).map(|step| step.name.as_str()).collect()
    };
    let (good, bad, close) = (of(Verdict::InLimit), of(Verdict::OutOfLimit), of(Verdict::TooCloseToCall));
    let judged = good.len() + bad.len() + close.len();
    let unjudged: Vec<&str> = last
        .iter()
        .filter(|step| step.limit_low.or(step.limit_high).is_some() || step.limit_text.is_some())
        .filter(|step| !step.is_decided())
        .map(|step| step.name.as_str())
        .collect();
    let fault = findings.iter().find(|finding| finding.kind.is_fault() && finding.sure != ConfidenceLevel::Possible);
    let mut sentences: Vec<String> = fault.map(|finding| finding.sentence.clone()).into_iter().collect();
    sentences.push(match (judged, bad.len()) {
        (0, _) => "No value was compared with a limit.".to_owned(),
        (1, 0) if close.is_empty() => "The one measurement with a limit is in limit.".to_owned(),
        (_, 0) if close.is_empty() => format!("All {judged} measurements with a limit are in limit."),
        (_, 0) => format!("{} of {judged} measurements are in limit.", good.len()),
        (_, count) => format!("{count} of {judged} measurements {} out of limit: {}.", is_or_are(count), names(&bad)),
    });
    if !close.is_empty() {
        sentences.push(format!("Too close to call: {}.", names(&close)));
    }
    if !unjudged.is_empty() {
        sentences.push(format!("Not measured: {}.", names(&unjudged)));
    }
    sentences.join(" ")
}

fn is_or_are(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}

fn names(of: &[&str]) -> String {
    match of.len() {
        // Names of steps have commas themselves.
        count if count > MOST_NAMES + 1 => format!("{} and {} more", of[..MOST_NAMES].join("; "), count - MOST_NAMES),
        _ => of.join("; "),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::session::findings::FindingKind;

    fn step(name: &str, attempt: i64, verdict: Option<Verdict>) -> StepRow {
        serde_json::from_value(json!({
            "number": attempt, "place": 1, "attempt": attempt, "name": name, "circuit": null, "began_us": 0,
            "ended_us": 1, "left_how": "done", "channel": "probe", "quantity": "V DC", "unit": "V", "limit_low": 11.8,
            "limit_high": null, "verdict": verdict, "reason": null, "capture_id": null, "first_row": 1, "last_row": 1,
        }))
        .unwrap()
    }

    fn finding(kind: FindingKind, sure: ConfidenceLevel) -> FindingRecord {
        let nothing = Vec::new;
        FindingRecord {
            kind,
            circuits: nothing(),
            sentence: "The shared ground loses 0.34 V.".to_owned(),
            sure,
            weight: 1.0,
            z: 9.0,
            evidence: nothing(),
            alternatives: nothing(),
            next: String::new(),
            ends_at: None,
            calibration: None,
        }
    }

    #[test]
    fn a_good_machine_is_told_in_one_sentence() {
        let steps = [step("lift feed", 1, Some(Verdict::InLimit)), step("tilt feed", 1, Some(Verdict::InLimit))];
        assert_eq!(result(&steps, &[]), "All 2 measurements with a limit are in limit.");
        assert_eq!(result(&steps[..1], &[]), "The one measurement with a limit is in limit.");
        assert_eq!(result(&[], &[]), "No value was compared with a limit.");
    }

    #[test]
    fn the_fault_comes_first_and_the_last_attempt_counts() {
        let steps = [
            step("lift feed", 1, Some(Verdict::OutOfLimit)),
            step("tilt feed", 1, Some(Verdict::OutOfLimit)),
            step("float feed", 1, Some(Verdict::TooCloseToCall)),
            step("brake feed", 1, Some(Verdict::NoReading)),
            step("lift feed", 2, Some(Verdict::InLimit)),
            // Begun again and left without a value: what was measured before stands.
            step("tilt feed", 2, Some(Verdict::NoReading)),
        ];
        let sure = finding(FindingKind::SharedGround, ConfidenceLevel::Likely);
        assert_eq!(
            result(&steps, &[sure]),
            "The shared ground loses 0.34 V. 1 of 3 measurements is out of limit: tilt feed. \
             Too close to call: float feed. Not measured: brake feed."
        );
    }

    #[test]
    fn what_is_only_possible_is_no_result() {
        let steps = [step("lift feed", 1, Some(Verdict::InLimit))];
        let unsure = finding(FindingKind::SharedGround, ConfidenceLevel::Possible);
        let no_fault = finding(FindingKind::Healthy, ConfidenceLevel::Likely);
        for found in [unsure, no_fault] {
            assert_eq!(result(&steps, &[found]), "The one measurement with a limit is in limit.");
        }
    }

    #[test]
    fn many_names_are_counted() {
        assert_eq!(names(&["a", "b", "c", "d"]), "a; b; c; d");
        assert_eq!(names(&["a", "b", "c", "d", "e"]), "a; b; c and 2 more");
    }
}
