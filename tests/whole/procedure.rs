//! Proves a run by a procedure: moves, attempts, captures, and each verdict with its reason.

use serde_json::{Value, json};

use crate::harness::{Bay, THREE, text};

const VALVES: &str = r#"
title = "Loader valve block, at the connector"
caution = "Bucket down, key out before unplugging."
[[step]]
name = "feed, lift coil"
circuit = "lift coil"
do = "Red lead on the feed pin, black lead on battery negative."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
temperature = "20 °C"
[[step]]
name = "tilt coil held on"
channel = "tilt coil"
between = "1.45 A to 1.80 A"
[[step]]
name = "shared ground"
channel = "block ground"
at_most = "100 mV"
capture = "worst"
[[step]]
name = "supply"
channel = "battery"
at_least = "11.8 V"
[[step]]
name = "yard drive"
"#;

fn verdict(answer: &Value) -> &str {
    answer["judged"]["verdict"].as_str().unwrap_or("-")
}

#[test]
fn a_run_by_a_procedure_keeps_every_attempt_and_judges_each() {
    let bay = Bay::with_bench(THREE);
    let valves = bay.write("valves.toml", VALVES);
    let [_clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&valves)]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    let status = daemon.status();
    assert_eq!((&status["step"]["name"], &status["step"]["of"]), (&json!("feed, lift coil"), &json!(6)));
    assert_eq!(status["session"]["caution"], "Bucket down, key out before unplugging.");
    assert!(daemon.refused(json!({"do": "step", "to": "back"})).contains("first step"));

    // What the operator takes counts, whatever comes after it.
    handheld.line("12.41 V");
    daemon.until_samples(1);
    let taken = daemon.take();
    assert_eq!((&taken["taken"][0]["verdict"], &taken["taken"][0]["value"]), (&json!("in limit"), &json!(12.41)));
    handheld.line("0.02 V");
    daemon.until_samples(2);
    let answer = daemon.step("next");
    assert_eq!(
        (verdict(&answer), &answer["judged"]["reason"]),
        ("in limit", &json!("12.41 V, at least 11.8 V wanted"))
    );

    // Still on volts: nothing to judge ohms on.
    handheld.line("12.40 V");
    daemon.until_samples(3);
    let answer = daemon.step("again");
    assert_eq!(verdict(&answer), "wrong function");
    assert!(answer["judged"]["reason"].as_str().unwrap().contains("switch it to ohm"), "{answer}");
    assert_eq!((&answer["step"]["name"], &answer["step"]["attempt"]), (&json!("lift coil ohms"), &json!(2)));

    handheld.line("9.90 ohm");
    daemon.until_samples(4);
    assert_eq!(verdict(&daemon.step("again")), "out of limit");
    handheld.line("7.60 ohm");
    daemon.until_samples(5);
    assert_eq!(verdict(&daemon.step("next")), "in limit");

    // Nothing came from the clamps.
    let answer = daemon.step("shared");
    assert_eq!((verdict(&answer), &answer["step"]["name"]), ("no reading", &json!("shared ground")));

    // The worst of the whole step counts, not the last.
    supply.lines(["ground=20mV", "ground=0.350V", "ground=30mV"]);
    daemon.until_samples(8);
    let answer = daemon.step("next");
    assert_eq!((verdict(&answer), &answer["judged"]["value"]), ("out of limit", &json!(0.35)));

    // 0.5 % + 5 mV of 11.82 V: u = 64.1 mV / √3, and 2 u = 74 mV reaches the limit (JCGM 100 4.3.7, JCGM 106).
    supply.line("supply=11.82V");
    daemon.until_samples(9);
    let answer = daemon.step("back");
    assert_eq!((verdict(&answer), &answer["step"]["name"]), ("too close to call", &json!("shared ground")));
    let u = answer["judged"]["u"].as_f64().unwrap();
    assert!((u - 0.0641 / 3f64.sqrt()).abs() < 1e-9, "{u}");

    assert_eq!(daemon.step("skip")["judged"], Value::Null);
    daemon.step("yard drive");
    let answer = daemon.step("next");
    assert_eq!((&answer["step"], &answer["judged"]), (&Value::Null, &Value::Null));
    assert!(daemon.refused(json!({"do": "step", "to": "next"})).contains("last step is done"));
    let refusal = daemon.refused(json!({"do": "step", "to": "tail lamp"}));
    assert!(refusal.contains("tail lamp") && refusal.contains("lift coil ohms"), "{refusal}");
    daemon.ask(json!({"do": "end"}));

    let kept = bay.kept();
    assert_eq!(
        kept.rows(
            "SELECT number, place, attempt, step.name, left_how, step.verdict, how, round(value, 6), capture.unit
             FROM step LEFT JOIN capture ON capture.id = step.capture ORDER BY number"
        ),
        [
            "1 | 1 | 1 | feed, lift coil | done | in limit | taken | 12.41 | V",
            "2 | 2 | 1 | lift coil ohms | again | wrong function | last | 12.4 | V",
            "3 | 2 | 2 | lift coil ohms | again | out of limit | last | 9.9 | ohm",
            "4 | 2 | 3 | lift coil ohms | done | in limit | last | 7.6 | ohm",
            "5 | 3 | 1 | tilt coil held on | done | no reading | last | - | -",
            "6 | 4 | 1 | shared ground | done | out of limit | worst | 0.35 | V",
            "7 | 5 | 1 | supply | back | too close to call | last | 11.82 | V",
            "8 | 4 | 2 | shared ground | skipped | - | - | - | -",
            "9 | 5 | 2 | supply | done | no reading | last | - | -",
            "10 | 6 | 1 | yard drive | done | - | - | - | -",
        ]
    );
    kept.assert_sound();
}

#[test]
fn every_sample_has_its_own_verdict_too() {
    let bay = Bay::with_bench(THREE);
    let valves = bay.write("valves.toml", VALVES);
    let [_clamps, handheld, _supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&valves)]);
    daemon.until_open(["handheld"]);
    handheld.lines(["12.41 V", "9.20 V", "7.5 ohm", "OL V", "12.3 V AC"]);
    daemon.until_samples(5);
    let said = bay.bayline(["step", "next"]).done();
    assert!(said.starts_with("wrong function: ") && said.contains("step 2 of 6: lift coil ohms"), "{said}");
    assert!(said.contains("probe on ohm: 6.9 ohm to 8.1 ohm"), "{said}");
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT quantity, value, verdict FROM reading ORDER BY row"),
        [
            "V DC | 12.41 | in limit",
            "V DC | 9.2 | out of limit",
            "ohm | 7.5 | wrong function",
            "V DC | - | too close to call",
            "V AC | 12.3 | wrong function",
        ]
    );
}

#[test]
fn a_procedure_can_be_begun_while_the_daemon_runs() {
    let bay = Bay::with_bench(THREE);
    let valves = bay.write("valves.toml", VALVES);
    let mut daemon = bay.start();
    let said = bay.bayline(["begin", "--procedure", text(&valves), "--machine", "loader 7", "--job", "A-113"]).done();
    assert!(said.contains("caution: Bucket down, key out before unplugging."), "{said}");
    assert!(said.contains("step 1 of 6: feed, lift coil"), "{said}");
    // By a script: the file travels in the request.
    let begun = daemon.ask(json!({"do": "begin", "procedure": {"file": "valves.toml", "text": VALVES}}));
    assert_eq!(begun["step"]["place"], 1);
    let refusal = daemon.refused(json!({"do": "begin", "procedure": {"file": "mine.toml", "text": "title = 3"}}));
    assert!(refusal.contains("mine.toml, line 1"), "{refusal}");
    // A mark in a procedure is a moment, not a step.
    daemon.mark("brake released");
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT machine, job, procedure_title, ended_how, length(procedure_text) FROM session"),
        [
            " |  | - | replaced | -".to_owned(),
            format!("loader 7 | A-113 | Loader valve block, at the connector | replaced | {}", VALVES.chars().count()),
            format!(" |  | Loader valve block, at the connector | stopped | {}", VALVES.chars().count()),
        ]
    );
    assert_eq!(kept.rows("SELECT session, subject, text FROM event WHERE kind = 'mark'"), ["3 |  | brake released"]);
    assert_eq!(kept.number("SELECT COUNT(*) FROM step WHERE session = 3"), 1);
}
