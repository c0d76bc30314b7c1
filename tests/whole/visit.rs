//! Proves that what was told of a visit can be corrected while it is open, and that lists and states say what is so.

use serde_json::{Value, json};

use crate::harness::{Bay, HANDHELD, of_meter, text, until};

#[test]
fn machine_and_job_are_corrected_and_the_first_words_stay() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--machine", "loader 7", "--job", "A-113"]);
    let answer = daemon.ask(json!({"do": "correct", "machine": "loader 8", "job": "A-113", "by": "K"}));
    assert_eq!(
        answer["corrections"],
        json!([{"made_by": "K", "field": "machine", "value_before": "loader 7", "value_after": "loader 8"}])
    );
    assert_eq!(daemon.status()["session"]["machine"], "loader 8");
    let sentence = daemon.refused(json!({"do": "correct", "machine": "loader 8"}));
    assert!(sentence.contains("nothing would change"), "{sentence}");
    let said = bay.bayline(["correct", "--job", "A-114", "--by", "K"]).done();
    assert_eq!(said, "corrected: job is \"A-114\", was \"A-113\", by K\n");
    daemon.stop();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT machine, job FROM session"), ["loader 8 | A-114"]);
    assert_eq!(
        kept.rows("SELECT made_by, field, value_before, value_after FROM correction ORDER BY id"),
        ["K | machine | loader 7 | loader 8", "K | job | A-113 | A-114"]
    );
    assert!(bay.bayline(["show"]).done().contains("machine is \"loader 8\", was \"loader 7\", by K"));
    let json: Value = serde_json::from_str(&bay.bayline(["show", "--json"]).done()).unwrap();
    assert_eq!(json["corrections"][1]["value_before"], "A-113");
    assert!(bay.bayline(["correct", "--job", "A-115"]).failed(3).contains("no daemon is running"));
}

#[test]
fn a_search_without_a_hit_says_so_and_attempts_are_no_steps() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write("two.toml", "title = \"two\"\n[[step]]\nname = \"a\"\n[[step]]\nname = \"b\"\n");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    for to in ["again", "again", "next", "back", "next"] {
        daemon.step(to);
    }
    daemon.stop();
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM step"), 6);
    let json: Value = serde_json::from_str(&bay.bayline(["sessions", "--json"]).done()).unwrap();
    assert_eq!(json["steps"], 2);
    let said = bay.bayline(["sessions", "--find", "digger"]).done();
    assert_eq!(said, "no session has \"digger\" in machine, job, VIN, counter, complaint, procedure title or notes\n");
    assert_eq!(bay.bayline(["sessions", "--find", "digger", "--json"]).done(), "");
}

/// Seen: `take` before the first step of a free session was acknowledged and stood in no ledger.
#[test]
fn what_is_taken_before_the_first_step_makes_a_step_of_its_own() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.take();
    assert_eq!(daemon.status()["step"]["name"], "step 1");
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT step, value FROM capture"), ["1 | 12.41"]);
    assert!(bay.bayline(["show"]).done().contains("12.41"));
}

#[test]
fn a_meter_with_its_cable_out_stays_in_the_status() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    handheld.unplug();
    daemon.until("the loss", |status| of_meter(status, "handheld")["open"] == false);
    let said = bay.bayline(["status"]).done();
    assert!(said.lines().any(|line| line.starts_with("probe") && line.contains("absent")), "{said}");
    let sentence = daemon.refused(json!({"do": "take"}));
    assert!(sentence.contains("meter \"handheld\" is not there: it was unplugged"), "{sentence}");
}

#[test]
fn the_caution_is_announced_with_the_first_step() {
    let bay = Bay::with_bench(HANDHELD);
    let text_of =
        "title = \"two\"\ncaution = \"Bucket down, key out.\"\n[[step]]\nname = \"a\"\n[[step]]\nname = \"b\"\n";
    let procedure = bay.write("two.toml", text_of);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    // The log comes by a pipe of its own, which may be slower than the word that the daemon is ready.
    let log = daemon.log();
    until("the caution in the log", || {
        let log = log.lock().unwrap();
        if log.contains("caution: Bucket down, key out.") { Ok(()) } else { Err(log.clone()) }
    });
    daemon.step("next");
    let mut watcher = bay.client().watch();
    daemon.ask(json!({"do": "begin", "procedure": {"file": "two.toml", "text": text_of}}));
    watcher.said("caution: Bucket down, key out.");
    daemon.stop();
    let said = bay.kept().rows("SELECT text FROM event WHERE kind = 'announced'");
    assert_eq!(said.iter().filter(|text| *text == "caution: Bucket down, key out.").count(), 2, "{said:?}");
}
