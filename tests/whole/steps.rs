//! Proves that every sample is filed under the step that was on when it came.

use serde_json::json;

use crate::harness::{Bay, HANDHELD, THREE, text};

#[test]
fn samples_before_a_mark_belong_to_one_step_and_those_after_to_the_next() {
    let bay = Bay::with_bench(THREE);
    let [clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "handheld", "supply"]);
    handheld.line("1 V");
    daemon.until_samples(1);
    daemon.step("reverse, first try");
    handheld.line("2 V");
    clamps.line("0.1,0.2");
    daemon.until_samples(4);
    daemon.mark("reverse, second try");
    supply.line("supply:12.4,ground:0.1");
    handheld.line("3 V");
    daemon.until_samples(7);
    daemon.ask(json!({"do": "end"}));
    // Between two sessions nothing is recorded.
    handheld.line("4 V");
    daemon.until("4 V shown", |status| status["readings"].to_string().contains("4.0"));
    daemon.ask(json!({"do": "begin", "machine": "loader 8"}));
    handheld.line("5 V");
    daemon.until_samples(1);
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT session, number, attempt, name, left_how, first_row, last_row, place FROM step ORDER BY id"),
        [
            "1 | 1 | 1 | reverse, first try | done | 2 | 4 | -",
            "1 | 2 | 1 | reverse, second try | session ended | 5 | 7 | -",
        ]
    );
    assert_eq!(
        kept.rows(
            "SELECT session, channel, round(value, 6), step, step_name FROM reading ORDER BY session, step, channel"
        ),
        [
            "1 | probe | 1 | - | -",
            "1 | lift coil | 1 | 1 | reverse, first try",
            "1 | probe | 2 | 1 | reverse, first try",
            "1 | tilt coil | 2 | 1 | reverse, first try",
            "1 | battery | 12.4 | 2 | reverse, second try",
            "1 | block ground | 0.1 | 2 | reverse, second try",
            "1 | probe | 3 | 2 | reverse, second try",
            "2 | probe | 5 | - | -",
        ]
    );
    assert_eq!(
        kept.rows("SELECT id, machine, ended_how, first_row, last_row FROM session"),
        ["1 |  | ended | 1 | 7", "2 | loader 8 | stopped | 8 | 8"]
    );
    kept.assert_sound();
}

#[test]
fn a_free_step_done_again_keeps_both_attempts() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    daemon.step("brake released");
    handheld.line("12.1 V");
    daemon.until_samples(1);
    assert_eq!(daemon.step("again")["step"]["attempt"], 2);
    handheld.line("12.2 V");
    daemon.until_samples(2);
    assert_eq!(daemon.step("next")["step"]["name"], "step 3");
    for way in ["back", "skip"] {
        assert!(daemon.refused(json!({"do": "step", "to": way})).contains("no procedure"));
    }
    daemon.stop();
    assert_eq!(
        bay.kept().rows(
            "SELECT step.name, attempt, left_how, count, last, mean, min, max FROM step LEFT JOIN figure
             ON step.session = figure.session AND step.number = figure.step ORDER BY number"
        ),
        [
            "brake released | 1 | again | 1 | 12.1 | 12.1 | 12.1 | 12.1",
            "brake released | 2 | done | 1 | 12.2 | 12.2 | 12.2 | 12.2",
            "step 3 | 1 | session ended | - | - | - | - | -",
        ]
    );
}

#[test]
fn a_value_taken_in_a_free_session_is_kept_for_every_channel_that_shows_one() {
    let bay = Bay::with_bench(THREE);
    let [clamps, handheld] = ["clamps", "handheld"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "handheld"]);
    assert!(daemon.refused(json!({"do": "take"})).contains("no reading has come yet"));
    clamps.line("0.05,0.02");
    handheld.line("12.41 V");
    daemon.until_samples(3);
    let taken = daemon.take();
    assert_eq!(taken["taken"].as_array().unwrap().len(), 3, "{taken}");
    let probe = daemon.ask(json!({"do": "take", "channel": "probe"}));
    assert_eq!((&probe["taken"][0]["value"], &probe["taken"][0]["how"]), (&json!(12.41), &json!("taken")));
    let refusal = daemon.refused(json!({"do": "take", "channel": "prode"}));
    assert!(refusal.contains("\"prode\"") && refusal.contains("probe"), "{refusal}");
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT channel, round(value, 6), unit, how, step, verdict FROM capture ORDER BY id"),
        [
            "lift coil | 0.5 | A | taken | 1 | -",
            "tilt coil | 0.2 | A | taken | 1 | -",
            "probe | 12.41 | V | taken | 1 | -",
            "probe | 12.41 | V | taken | 1 | -",
        ]
    );
}

#[test]
fn the_operators_commands_say_what_they_did() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    let said = bay.bayline(["begin", "--machine", "loader 7"]).done();
    assert!(said.contains("session 1 ended\nsession 2 has begun\n"), "{said}");
    assert_eq!(bay.bayline(["step", "reverse"]).done(), "step 1: reverse\n");
    handheld.line("12.41 V");
    daemon.until_samples(1);
    assert_eq!(bay.bayline(["take"]).done(), "probe: 12.41 V, no limit\n");
    assert_eq!(bay.bayline(["note", "oil on the plug"]).done(), "note kept\n");
    assert_eq!(bay.bayline(["mark", "brake released", "--by", "K"]).done(), "step 2: brake released\n");
    assert_eq!(bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'mark'"), ["K | brake released"]);
    let answer = bay.bayline(["step", "forward", "--json"]).done();
    let answer: serde_json::Value = serde_json::from_str(&answer).unwrap();
    assert_eq!(answer["step"]["name"], "forward");
    let refusal = bay.bayline(["note", " "]).failed(1);
    assert!(refusal.contains("the note is empty"), "{refusal}");
    assert!(bay.bayline(["end"]).done().contains("session 2 has ended"));
    assert!(bay.bayline(["end"]).failed(1).contains("no session is open"));
    assert!(bay.bayline(["status"]).done().starts_with("no session is open"));
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT id, machine, ended_how FROM session"),
        ["1 |  | replaced", "2 | loader 7 | ended"]
    );
}

const NUMBERED: &str = r#"
title = "Names, numbers and capitals"
[[step]]
name = "battery"
[[step]]
name = "lift coil ohms"
[[step]]
name = "tilt coil ohms"
[[step]]
name = "2nd battery"
[[step]]
name = "3"
"#;

#[test]
fn a_step_is_named_by_its_place_too_and_in_any_capitals() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write("numbered.toml", NUMBERED);
    let daemon = bay.start_with(&["--procedure", text(&procedure)]);
    for (wanted, name) in [
        ("4", "2nd battery"),
        ("1", "battery"),
        ("Lift Coil Ohms", "lift coil ohms"),
        ("TILT", "tilt coil ohms"),
        // An exact name wins over a place.
        ("3", "3"),
    ] {
        let said = bay.bayline(["step", wanted, "--json"]).done();
        let answer: serde_json::Value = serde_json::from_str(&said).unwrap();
        assert_eq!(answer["step"]["name"], name, "{wanted}");
    }
    // Two is the place of one step and the beginning of another's name; no step is the sixth.
    for wanted in ["2", "0", "6", "coil"] {
        let said = bay.bayline(["step", wanted]).failed(1);
        assert!(said.contains(&format!("\"{wanted}\" does not mean exactly one step")), "{said}");
        assert!(said.contains("2 \"lift coil ohms\", 3 \"tilt coil ohms\", 4 \"2nd battery\""), "{said}");
    }
    daemon.stop();
}

const FEED_AND_GROUND: &str = r#"
title = "Feed and ground"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "ground"
channel = "probe"
quantity = "V DC"
at_most = "100 mV"
"#;

/// Seen: NEXT was taken for a name, the verdict of the step before stood beside the next one, a meter was blamed for a step that was
/// left at once, and one that sends what its protocol does not know was called late.
#[test]
fn what_the_operator_is_told_is_so() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write("feed.toml", FEED_AND_GROUND);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["handheld"]);
    handheld.line("?!~");
    let refused = crate::harness::until("bytes to be counted", || {
        let output = bay.bayline(["take"]);
        if output.stderr.contains("sends bytes") { Ok(output.stderr) } else { Err(output) }
    });
    assert!(refused.contains("meter \"handheld\" sends bytes, but no reading by its protocol"), "{refused}");
    bay.bayline(["step", "NEXT"]).done();
    let left = bay.kept().rows("SELECT reason FROM step WHERE number = 1");
    assert!(left[0].starts_with("the step was left after ") && left[0].ends_with("before a reading came"), "{left:?}");
    bay.bayline(["step", " Back "]).done();
    handheld.line("12.41 V");
    daemon.until("a verdict", |status| status["readings"][0]["verdict"] == "in limit");
    daemon.take();
    daemon.step("next");
    assert!(daemon.status()["readings"][0]["verdict"].is_null(), "{}", daemon.status());
    bay.bayline(["mark", "harness moved"]).done();
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT subject FROM event WHERE kind = 'mark'"), [""]);
}
