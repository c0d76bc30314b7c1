//! Proves that a stored session is judged again by the same core: the same comes out, or what another procedure wants.

use rusqlite::Connection;
use serde_json::{Value, json};

use crate::harness::{Bay, HANDHELD, THREE, text};

const FEED: &str = r#"
title = "Feed and clamp"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "lift coil held on"
channel = "lift coil"
between = "1.45 A to 1.80 A"
[[step]]
name = "ground"
channel = "block ground"
at_most = "100 mV"
capture = "worst"
"#;

/// A session with a zeroed clamp, a drop that is out of limit, and a meter that was unplugged.
fn recorded(bay: &Bay) {
    let feed = bay.write("feed.toml", FEED);
    let [clamps, mut handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&feed)]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.take();
    daemon.step("next");
    // 30 mA at rest, then 1.62 A with it: 3 mV and 165 mV behind 100 mV/A.
    let mut samples = 1;
    let mut clamp = |daemon: &mut crate::harness::Daemon, line: &str, count: u64| {
        for _ in 0..count {
            clamps.line(line);
            samples += 2;
            daemon.until_samples(samples);
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
        samples
    };
    clamp(&mut daemon, "0.003,0.001", 14);
    // A zero needs readings that come one after the other: more of them where this computer made a pause.
    let zeroed = (0..100).any(|_| {
        let answer = daemon.answer(&json!({"do": "zero", "channel": "lift coil"}));
        if answer["ok"] != true {
            clamp(&mut daemon, "0.003,0.001", 1);
        }
        answer["ok"] == true
    });
    assert!(zeroed, "the clamp was never still");
    let samples = clamp(&mut daemon, "0.1651,0.001", 3);
    daemon.take();
    handheld.unplug();
    daemon.until("handheld gone", |status| crate::harness::of_meter(status, "handheld")["open"] == false);
    daemon.step("next");
    supply.lines(["ground=20mV", "ground=0.350V", "ground=30mV"]);
    daemon.until_samples(samples + 3);
    daemon.step("next");
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
}

fn ledger(bay: &Bay, judgement: &str) -> Vec<String> {
    bay.kept().rows(&format!(
        "SELECT name, step.verdict, step.reason FROM step WHERE session = 1 AND judgement = {judgement} ORDER BY number"
    ))
}

#[test]
fn the_same_comes_out_again_and_a_change_is_named() {
    let bay = Bay::with_bench(THREE);
    recorded(&bay);
    let said = bay.bayline(["judge", "1", "--check"]).done();
    assert_eq!(said, "session 1: judged again, all comes out the same\n");
    let json: Value = serde_json::from_str(&bay.bayline(["judge", "1", "--check", "--json"]).done()).unwrap();
    assert_eq!((&json["session"], &json["difference"], &json["judgement"]), (&json!(1), &Value::Null, &Value::Null));

    // What somebody changed by hand is found, to the last bit of a number, and told by its column.
    for (change, back, found) in [
        ("UPDATE capture SET value = value * 1.0000000000000002 WHERE id = 2", "", "capture 2: value is"),
        (
            "UPDATE step SET verdict = 'in limit' WHERE number = 3",
            "",
            "step 3: verdict is \"out of limit\", was \"in limit\"",
        ),
        ("UPDATE figure SET max = 1.0 WHERE step = 2", "", "figure"),
        ("UPDATE sample SET verdict = 0 WHERE rowid = (SELECT MAX(rowid) - 1 FROM sample)", "", "sample"),
        ("UPDATE zero SET value = 1.0", "nothing is judged by it", ""),
        ("DELETE FROM input WHERE kind = 'take'", "", "capture"),
    ] {
        let whole = std::fs::read(bay.database()).unwrap();
        {
            let database = Connection::open(bay.database()).unwrap();
            database.execute_batch(change).unwrap();
            database.pragma_update(None, "journal_mode", "DELETE").unwrap();
        }
        let output = bay.bayline(["judge", "1", "--check"]);
        match back {
            "" => {
                assert_eq!(output.code, Some(1), "{change}: {output:?}");
                let sentence = output.failed(1);
                assert!(
                    sentence.contains("session 1, judged again, differs from its record: ") && sentence.contains(found),
                    "{change}: {sentence}"
                );
            }
            _ => _ = output.done(),
        }
        std::fs::write(bay.database(), whole).unwrap();
    }
}

#[test]
fn another_procedure_makes_a_judgement_beside_the_first_record() {
    let bay = Bay::with_bench(THREE);
    recorded(&bay);
    let first = ledger(&bay, "0");
    let samples = bay.kept().rows("SELECT * FROM sample");
    let looser = bay.write("looser.toml", &FEED.replace("100 mV", "400 mV").replace("11.8 V", "12.5 V"));
    let looser_text =
        format!("caution = \"Chocks first.\"\n{}", std::fs::read_to_string(&looser).unwrap().trim_start());
    let looser = bay.write("looser.toml", &looser_text);
    let said = bay.bayline(["judge", "1", "--procedure", text(&looser), "--by", "K"]).done();
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines[0], "session 1: judgement 1 is kept and in force");
    assert!(
        lines[2].starts_with("feed") && lines[2].contains("in limit") && lines[2].contains("out of limit"),
        "{said}"
    );
    assert!(lines[3].starts_with("ground") && lines[3].contains("350 mV, at most 400 mV wanted"), "{said}");
    let now = ledger(&bay, "1");
    assert!(now[0].starts_with("feed | out of limit | 12.41 V is 0.09 V too low"), "{now:?}");
    assert_eq!((&now[1], &now[2][..]), (&first[1], "ground | in limit | 350 mV, at most 400 mV wanted"));
    // Nothing of the first record has changed, and all that reads takes the judgement in force.
    assert_eq!((ledger(&bay, "0"), bay.kept().rows("SELECT * FROM sample")), (first, samples));
    let shown = bay.bayline(["show", "1"]).done();
    assert!(
        shown.contains("judgement 1, by K: \"Feed and clamp\"") && shown.contains("at least 12.5 V wanted"),
        "{shown}"
    );
    // Two procedures of one title are told apart by their hash, which an ordinary tool gives too.
    let sum = std::process::Command::new("sha256sum").arg(&looser).output().unwrap();
    let looser_hash = String::from_utf8(sum.stdout).unwrap()[..8].to_owned();
    let line = |shown: &str, start: &str| {
        shown.lines().find(|line| line.starts_with(start)).unwrap_or_else(|| panic!("{start} in {shown}")).to_owned()
    };
    let now = line(&shown, "> judgement 1, by K: \"Feed and clamp\"");
    assert!(now.contains(&format!("(procedure {looser_hash})")) && now.ends_with(", in force"), "{now}");
    let first = line(&shown, "  judgement 0, the first record: \"Feed and clamp\" (procedure ");
    assert!(!first.contains(&looser_hash) && !first.contains("in force"), "{first}");
    // The first record has a heading of its own.
    let shown = bay.bayline(["show", "1", "--judgement", "0"]).done();
    line(&shown, "> judgement 0, the first record: \"Feed and clamp\"");
    assert!(line(&shown, "  judgement 1, by K").ends_with(", in force"), "{shown}");
    assert!(shown.contains("at most 100 mV"), "{shown}");
    let sheet = bay.bayline(["report", "1", "-o", "-"]).done();
    assert!(sheet.contains("Chocks first.") && sheet.contains("at least 12.5 V"), "{sheet}");
    assert!(bay.bayline(["show", "1", "--judgement", "7"]).failed(1).contains("session 1 has no judgement 7"));
    let json: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
    assert_eq!((&json["session"]["judgement"], &json["steps"][0]["verdict"]), (&json!(1), &json!("out of limit")));
    assert_eq!(json["captures"].as_array().unwrap().len(), 3);
    assert_eq!(bay.bayline(["judge", "1", "--strict"]).code, Some(4));
    // The check is of the first record.
    bay.bayline(["judge", "1", "--check"]).done();
}

#[test]
fn what_can_not_be_judged_is_told_in_one_sentence() {
    let bay = Bay::with_bench(HANDHELD);
    let feed =
        "title = \"t\"\n[[step]]\nname = \"feed\"\nchannel = \"probe\"\nquantity = \"V DC\"\nat_least = \"11.8 V\"\n";
    let procedure = bay.write("feed.toml", feed);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["handheld"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.note("kept");
    assert!(bay.bayline(["judge"]).failed(1).contains("session 1 is still open; end it first"));
    // A session without samples, and one without a procedure.
    daemon.ask(json!({"do": "begin"}));
    daemon.ask(json!({"do": "end"}));
    assert!(
        bay.bayline(["judge", "2"]).failed(1).contains("session 2 has no samples: there is nothing to judge again")
    );
    let other = bay.write("other.toml", &feed.replace("name = \"feed\"", "name = \"supply\""));
    let sentence = bay.bayline(["judge", "1", "--procedure", text(&other)]).failed(2);
    assert!(
        sentence.contains("does not fit session 1: it has no step \"feed\", which was done there; it has: supply"),
        "{sentence}"
    );
    assert!(bay.bayline(["judge", "1", "--procedure", "none.toml"]).failed(2).contains("none.toml"));
    assert!(bay.bayline(["judge", "17"]).failed(1).contains("no session 17"));
    daemon.stop();
    // One of an older bayline, and a clock that was set back.
    let database = Connection::open(bay.database()).unwrap();
    database.execute_batch("UPDATE session SET began_utc_us = began_utc_us + 86400000000 WHERE id = 1").unwrap();
    assert!(bay.bayline(["judge", "1"]).failed(1).contains("the computer's clock shows a time before session 1 began"));
    database.execute_batch("DELETE FROM input WHERE session = 1").unwrap();
    assert!(bay.bayline(["judge", "1"]).failed(1).contains("did not keep all that a judgement needs"));
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM judgement"), 0);
    // Made anew, so that the bay's last look finds nothing of ours.
    database.execute_batch("UPDATE session SET began_utc_us = began_utc_us - 86400000000 WHERE id = 1").unwrap();
}
