//! Proves limits that refer to other values, questions, sets of items and steps without a limit: from the file to the ledger.

use serde_json::json;

use crate::harness::{Bay, THREE, text};

const LIMITS: &str = r#"
title = "Feed and coil, each by the other"

[[step]]
name = "seal"
do = "Is the seal of the plug whole and dry?"
answer = "yes"

[[step]]
name = "coil volts"
channel = "probe"
quantity = "V DC"
at_most = "0.5 V below battery"

[[step]]
name = "coil ohms"
channel = "probe"
quantity = "ohm"

[[step]]
name = "coil amps"
channel = "probe"
quantity = "A DC"
between = "92 % to 105 % of 'coil volts' / 'coil ohms'"

[[step]]
name = "fuse"
set = "F1 to F3"
channel = "probe"
quantity = "V DC"
at_most = "30 mV"

[[step]]
name = "all fuses"
channel = "probe"
quantity = "V DC"
nominal = "sum of fuse ± 5 %"

[[step]]
name = "cranking amps"
channel = "lift coil"
quantity = "A DC"
capture = "worst"
"#;

#[test]
fn limits_by_other_values_and_questions_are_kept_like_all_others() {
    let bay = Bay::with_bench(THREE);
    let limits = bay.write("limits.toml", LIMITS);
    let [clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&limits)]);
    daemon.until_open(["clamps", "handheld", "supply"]);

    // A question is not taken by a reading, and a reading is no answer.
    assert_eq!(daemon.status()["step"]["asks"], true);
    assert!(daemon.refused(json!({"do": "take"})).contains("`bayline take yes`"));
    let said = bay.bayline(["take", "no"]).done();
    assert_eq!(said, "out of limit, answered no, yes wanted\n");
    daemon.step("again");
    assert_eq!(daemon.ask(json!({"do": "take", "answer": "yes"}))["taken"][0]["answer"], "yes");
    daemon.step("next");
    assert!(daemon.refused(json!({"do": "take", "answer": "yes"})).contains("asks no question"));

    // The battery's channel is silent: the value is kept, and the sentence says what to do.
    handheld.line("12.20 V");
    daemon.until_samples(1);
    let taken = daemon.take()["taken"][0].clone();
    assert_eq!((&taken["verdict"], &taken["value"]), (&json!("no reference"), &json!(12.2)));
    assert!(
        taken["reason"].as_str().unwrap().contains("\"battery\", which has shown nothing: check meter \"supply\""),
        "{taken}"
    );
    supply.line("supply=12.61V");
    daemon.until_samples(2);
    let taken = daemon.take()["taken"][0].clone();
    // 12.61 - 0.5 = 12.11 V, and u of the battery is (0.5 % + 5 mV) / √3, 39.3 mV: 90 mV inside is more than 2 u.
    assert_eq!(taken["verdict"], "in limit", "{taken}");
    assert!((taken["limit_low"].as_f64().unwrap() - 12.11).abs() < 1e-9, "{taken}");
    assert!((taken["u"].as_f64().unwrap() - 0.0394).abs() < 2e-4, "{taken}");
    daemon.step("next");

    // Amps before ohms: refused with what to do; after them 12.20 V over 7.60 ohm is 1.605 A.
    daemon.step("coil amps");
    handheld.line("1.60 A");
    daemon.until_samples(3);
    let answer = daemon.step("coil ohms");
    assert_eq!(answer["judged"]["verdict"], "no reference");
    assert!(
        answer["judged"]["reason"].as_str().unwrap().contains("\"coil ohms\", which has not been done: do it"),
        "{answer}"
    );
    handheld.line("7.60 ohm");
    daemon.until_samples(4);
    daemon.step("next");
    handheld.line("1.60 A");
    daemon.until_samples(5);
    assert_eq!(daemon.take()["taken"][0]["verdict"], "in limit");
    daemon.step("next");

    // Each item of the set begins by itself, and none overwrites another.
    for (count, line) in [(6, "11.0 mV"), (7, "12.0 mV"), (8, "45.0 mV")] {
        handheld.line(line);
        daemon.until_samples(count);
        daemon.take();
    }
    assert_eq!(daemon.status()["step"]["name"], "fuse: F3");
    daemon.step("next");
    handheld.line("68.0 mV");
    daemon.until_samples(9);
    assert_eq!(daemon.step("next")["judged"]["verdict"], "in limit");

    // A step without a limit keeps what it saw. 100 mV/A, so 31 V are 310 A.
    clamps.lines(["0.0, 0.0", "31.0, 0.0", "12.0, 0.0"]);
    daemon.until_samples(15);
    assert_eq!(daemon.step("next")["judged"]["value"], 310.0);
    daemon.ask(json!({"do": "end"}));

    let kept = bay.kept();
    assert_eq!(
        kept.rows(
            "SELECT step.name, step.verdict, round(value, 4), answer, round(step.limit_low, 4), round(step.limit_high, 4), limit_text
             FROM step LEFT JOIN capture ON capture.id = step.capture ORDER BY number"
        ),
        [
            "seal | out of limit | - | no | - | - | yes",
            "seal | in limit | - | yes | - | - | yes",
            "coil volts | in limit | 12.2 | - | 12.11 | - | at most 0.5 V below battery",
            "coil ohms | - | - | - | - | - | -",
            "coil amps | no reference | 1.6 | - | - | - | 92 % to 105 % of 'coil volts' / 'coil ohms'",
            "coil ohms | - | 7.6 | - | - | - | -",
            "coil amps | in limit | 1.6 | - | 1.4768 | 1.6855 | 92 % to 105 % of 'coil volts' / 'coil ohms'",
            "fuse: F1 | in limit | 0.011 | - | - | 0.03 | -",
            "fuse: F2 | in limit | 0.012 | - | - | 0.03 | -",
            "fuse: F3 | out of limit | 0.045 | - | - | 0.03 | -",
            "all fuses | in limit | 0.068 | - | 0.0646 | 0.0714 | sum of fuse ± 5 %",
            "cranking amps | - | 310 | - | - | - | -",
        ]
    );
    let shown = bay.bayline(["show", "last"]).done();
    assert!(shown.contains("no reference") && shown.contains("at least 12.11 V") && shown.contains("310 A"), "{shown}");
    bay.bayline(["export", "last", "--folder", text(&bay.path("out"))]).done();
    let steps = std::fs::read_to_string(bay.path("out").join("steps.csv")).unwrap();
    let title = |title: &str| steps.lines().next().unwrap().split(',').any(|other| other == title);
    assert!(title("limit_text") && title("answer"), "{steps}");
    assert!(steps.lines().nth(1).unwrap().contains(",yes,no"), "{steps}");
    bay.bayline(["report", "last", "--full", "-o", "sheet.html"]).done();
    let sheet = std::fs::read_to_string(bay.path("sheet.html")).unwrap();
    for words in ["no reference", "<td class=\"limit\">yes</td>", "at least 12.11 V"] {
        assert!(sheet.contains(words), "no {words}: {sheet}");
    }
    daemon.stop();
}

#[test]
fn what_does_not_exist_is_refused_with_file_and_line() {
    let bay = Bay::with_bench(THREE);
    let wrong = bay.write("limits.toml", &LIMITS.replace("below battery", "below batery"));
    let error = bay.bayline(["run", "--bench", text(&bay.path("bench.toml")), "--procedure", text(&wrong)]).failed(2);
    assert!(
        error.contains("limits.toml, line 11") && error.contains("\"batery\", which is neither a step nor a channel"),
        "{error}"
    );
    let itself = bay.write("itself.toml", &LIMITS.replace("sum of fuse", "all fuses"));
    let error =
        bay.bayline(["check", "--bench", text(&bay.path("bench.toml")), "--procedure", text(&itself)]).failed(2);
    assert!(error.contains("itself.toml, line 37") && error.contains("that step itself"), "{error}");
}

#[test]
fn a_channel_of_two_others_is_recorded_and_judged() {
    let derived = "[[derived]]\nname = \"block feed drop\"\nof = \"battery - block ground\"\n[[derived]]\nname = \"coil power\"\n\
                   of = \"battery * lift coil\"\n";
    let bay = Bay::with_bench(&format!("{THREE}{derived}"));
    let procedure = "title = \"t\"\n[[step]]\nname = \"drop\"\nchannel = \"block feed drop\"\nquantity = \"V DC\"\nat_most = \"12 V\"\n\
                     [[step]]\nname = \"power\"\nchannel = \"coil power\"\nquantity = \"W\"\n";
    let file = bay.write("drop.toml", procedure);
    bay.bayline(["check", "--bench", text(&bay.path("bench.toml")), "--procedure", text(&file)]).done();
    let [clamps, _handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&file)]);
    daemon.until_open(["clamps", "supply"]);
    supply.line("supply=12.60V ground=0.40V");
    // Two of the board, and the difference with the time of both.
    daemon.until_samples(3);
    let answer = daemon.step("next");
    assert_eq!(
        (&answer["judged"]["verdict"], &answer["judged"]["value"]),
        (&json!("out of limit"), &json!(12.2)),
        "{answer}"
    );
    clamps.line("0.16, 0.0");
    daemon.until_samples(5);
    supply.line("supply=12.60V ground=0.40V");
    // The power at the time of the clamps' reading: the battery stood at 12.6 V before and after, and 1.6 A flowed.
    daemon.until_samples(9);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT quantity, round(value, 6), unit FROM reading WHERE channel = 'coil power'"),
        ["W | 20.16 | W"]
    );
    let channels = kept.rows("SELECT name, quantity, unit, meter, reads FROM channel WHERE name LIKE '%drop' OR name LIKE '%power' ORDER BY name");
    assert_eq!(channels[0], "block feed drop | V DC | V | supply | battery - block ground");
    kept.assert_sound();
}
