//! Proves that what was filed wrongly is put right, judged again and undone, without touching a sample or the first record.

use serde_json::{Value, json};

use crate::harness::{Bay, Board, HANDHELD, THREE, text};

const FEEDS: &str = r#"
title = "Two feeds and a coil"
[[step]]
name = "lift feed"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "tilt feed"
circuit = "tilt coil"
channel = "probe"
quantity = "V DC"
at_least = "12.5 V"
[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
"#;

/// The technician was one terminal ahead: what belongs to the lift feed was taken in the step of the tilt feed.
fn one_ahead(bay: &Bay) {
    let feeds = bay.write("feeds.toml", FEEDS);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&feeds), "--machine", "loader 7", "--part", "20"]);
    daemon.until_open(["handheld"]);
    daemon.mark("plug off");
    daemon.step("next");
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.take();
    daemon.mark("wiggled");
    daemon.step("next");
    handheld.line("9.20 ohm");
    daemon.until_samples(2);
    daemon.take();
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
}

const LEDGER: &str = "SELECT step.number, step.name, step.attempt, step.verdict, step.reason FROM step JOIN session ON session.id = step.session
                      WHERE session.id = 1 AND step.judgement = session.judgement ORDER BY number";

/// All that must never change.
fn first_record(bay: &Bay) -> Vec<Vec<String>> {
    let tables =
        ["step", "capture", "figure", "finding"].map(|table| format!("SELECT * FROM {table} WHERE judgement = 0"));
    let others = ["sample", "event", "input", "channel"].map(|table| format!("SELECT * FROM {table}"));
    tables.iter().chain(&others).map(|sql| bay.kept().rows(sql)).collect()
}

#[test]
fn what_was_taken_one_terminal_ahead_is_filed_where_it_belongs() {
    let bay = Bay::with_bench(HANDHELD);
    one_ahead(&bay);
    let (first, recorded) = (first_record(&bay), bay.kept().rows(LEDGER));
    assert!(recorded[1].starts_with("2 | tilt feed | 1 | out of limit | 12.41 V is 0.09 V too low"), "{recorded:?}");

    let said = bay.bayline(["correct", "1", "--step", "2", "--file-under", "Lift feed", "--by", "K"]).done();
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines[0], "corrected: step 2 \"tilt feed\" is \"lift feed\" now, by K");
    assert_eq!(lines[1], "session 1: judged again, judgement 1 is in force");
    assert!(lines[3].starts_with("lift feed") && lines[3].contains("in limit"), "{said}");
    let now = bay.kept().rows(LEDGER);
    assert!(now[1].starts_with("2 | lift feed | 2 | in limit | 12.41 V, at least 11.8 V wanted"), "{now:?}");
    assert_eq!(now[2], recorded[2]);
    assert_eq!(first_record(&bay), first);
    let shown = bay.bayline(["show", "1"]).done();
    assert!(shown.contains("step 2 \"tilt feed\" is \"lift feed\" now, by K (correction 1)"), "{shown}");
    assert!(shown.contains("lift feed (attempt 2)") && shown.contains("by K"), "{shown}");
    // Seen: the step of which nothing is left was gone from the ledger and the sheet, as if the procedure had none.
    let emptied =
        shown.lines().find(|line| line.trim_start().starts_with("2  tilt feed")).unwrap_or_else(|| panic!("{shown}"));
    assert!(
        emptied.contains("at least 12.5 V")
            && emptied.contains("no reading")
            && emptied.contains("filed under another step"),
        "{shown}"
    );
    let sheet = bay.bayline(["report", "1"]).done();
    assert!(
        sheet.contains("Corrected afterwards")
            && sheet.contains("step 2 &#34;tilt feed&#34; is &#34;lift feed&#34; now"),
        "{sheet}"
    );
    assert!(sheet.contains("Not measured: tilt feed.") && sheet.contains("tilt feed (no reading)"), "{sheet}");
    assert!(bay.bayline(["report", "1", "--full"]).done().contains("filed under another step"));
    let json: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
    assert_eq!(json["steps"][1]["name"], "lift feed");
    let kept = &json["corrections"][0];
    assert_eq!((&kept["field"], &kept["subject"], &kept["made_by"]), (&json!("step"), &json!("2"), &json!("K")));

    // The capture counts no more; the first record is not touched by that either.
    // It is called what `show` calls it now: of the two rows of step 1 this is the second attempt.
    let refused = bay.bayline(["correct", "1", "--step", "1", "--void", "the lead slipped"]).failed(2);
    assert!(
        refused.contains(
            "several steps of session 1; name one of: 1 \"lift feed (attempt 1)\", 1 \"lift feed (attempt 2)\""
        ),
        "{refused}"
    );
    assert!(bay.bayline(["correct", "1", "--step", "2", "--void", "the lead slipped"]).failed(2).contains("\"2\""));
    let slipped = ["correct", "1", "--step", "Lift feed (attempt 2)", "--void", "the lead slipped"];
    let said = bay.bayline(slipped).done();
    let void = "what was captured in step 1 \"lift feed (attempt 2)\" is void";
    assert!(said.contains(&format!("{void}: the lead slipped")), "{said}");
    let shown = bay.bayline(["show", "1"]).done();
    assert!(shown.contains(&format!("{void}: the lead slipped (correction 2)")), "{shown}");
    let now = bay.kept().rows(LEDGER);
    assert!(
        now[1].starts_with("2 | lift feed | 2 | no reading | what was captured is void: the lead slipped"),
        "{now:?}"
    );
    let flags = "SELECT verdict, flags, reason FROM capture WHERE judgement = 2 AND step = 2 ORDER BY id";
    assert!(bay.kept().rows(flags)[0].starts_with("in limit | void | 12.41 V"), "{:?}", bay.kept().rows(flags));
    assert_eq!(first_record(&bay), first);

    // Undone one after the other, until the first record is in force again.
    let said = bay.bayline(["correct", "1", "--undo", "--by", "L"]).done();
    assert!(said.starts_with(&format!("undone: {void}")) && said.contains("judgement 3"), "{said}");
    assert!(bay.kept().rows(LEDGER)[1].starts_with("2 | lift feed | 2 | in limit"));
    let said = bay.bayline(["correct", "1", "--undo", "1"]).done();
    assert!(said.contains("the first record is in force again"), "{said}");
    assert_eq!((bay.kept().rows(LEDGER), first_record(&bay)), (recorded, first));
    assert!(bay.bayline(["show", "1"]).done().contains("undone by L"));
    assert!(bay.bayline(["correct", "1", "--undo"]).failed(2).contains("has no correction left to undo"));
}

/// Two terminals were measured while one step was on: the first capture belongs to the step before.
#[test]
fn one_of_two_captures_of_a_step_is_filed_where_it_belongs() {
    let bay = Bay::with_bench(HANDHELD);
    let feeds = bay.write("feeds.toml", FEEDS);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&feeds)]);
    daemon.until_open(["handheld"]);
    daemon.step("next");
    for (count, volts) in (1..).zip(["12.41 V", "12.63 V"]) {
        handheld.line(volts);
        daemon.until_samples(count);
        daemon.take();
    }
    daemon.step("next");
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
    let (first, recorded) = (first_record(&bay), bay.kept().rows(LEDGER));
    assert!(recorded[1].starts_with("2 | tilt feed | 1 | in limit | 12.63 V"), "{recorded:?}");

    let said = bay.bayline(["correct", "1", "--step", "2", "--capture", "1", "--file-under", "lift feed"]).done();
    assert!(said.starts_with("corrected: what was captured in step 2 \"tilt feed\" from "), "{said}");
    assert!(said.lines().next().unwrap().ends_with(" belongs to \"lift feed\""), "{said}");
    let now = bay.kept().rows(LEDGER);
    assert_eq!(now.len(), recorded.len() + 1, "{now:?}");
    assert!(now[1].starts_with("2 | lift feed | 2 | in limit | 12.41 V, at least 11.8 V wanted"), "{now:?}");
    assert!(now[2].starts_with("3 | tilt feed | 1 | in limit | 12.63 V, at least 12.5 V wanted"), "{now:?}");
    assert_eq!(first_record(&bay), first);

    // What was split off is a step of its own: it can be filed back, and declared void, and no other is touched.
    let back = ["correct", "1", "--step", "lift feed (attempt 2)", "--file-under", "lift coil ohms"];
    bay.bayline(back).done();
    let filed = bay.kept().rows(LEDGER);
    assert!(filed[1].starts_with("2 | lift coil ohms | 1") && filed[2].starts_with("3 | tilt feed"), "{filed:?}");
    bay.bayline(["correct", "1", "--undo"]).done();
    assert_eq!(bay.kept().rows(LEDGER), now);
    let said = bay.bayline(["correct", "1", "--step", "lift feed (attempt 2)", "--void", "wrong pin"]).done();
    assert!(said.contains("step 1 \"lift feed (attempt 2)\" is void"), "{said}");
    let void = bay.kept().rows(LEDGER);
    assert!(void[1].contains("no reading") && void[2] == now[2], "{void:?}");
    bay.bayline(["correct", "1", "--undo"]).done();

    // Of the two captures one is void by itself, before anything is split.
    bay.bayline(["correct", "1", "--undo"]).done();
    bay.bayline(["correct", "1", "--step", "2", "--capture", "1", "--void", "wrong pin"]).done();
    let flags = "SELECT round(value, 2), flags FROM capture JOIN session ON session.id = capture.session
                 WHERE capture.judgement = session.judgement AND step = 2 AND how = 'taken' ORDER BY capture.id";
    assert_eq!(bay.kept().rows(flags), ["12.41 | void", "12.63 | "]);
    assert!(bay.kept().rows(LEDGER)[1].starts_with("2 | tilt feed | 1 | in limit | 12.63 V"));
    let refused = bay.bayline(["correct", "1", "--step", "2", "--capture", "3", "--void", "x"]).failed(2);
    assert!(refused.contains("step 2 \"tilt feed\" has no capture 3; there are: 1 "), "{refused}");
    bay.bayline(["correct", "1", "--undo"]).done();
    bay.bayline(["correct", "1", "--step", "2", "--capture", "1", "--file-under", "lift feed"]).done();

    let refused =
        bay.bayline(["correct", "1", "--step", "lift coil ohms", "--capture", "1", "--file-under", "lift feed"]);
    assert!(refused.failed(2).contains("step 3 \"lift coil ohms\" has no capture 1; it has no capture"));
    bay.bayline(["correct", "1", "--undo"]).done();
    assert_eq!((bay.kept().rows(LEDGER), first_record(&bay)), (recorded, first));
}

#[test]
fn a_temperature_that_was_wrong_changes_the_verdict() {
    let bay = Bay::with_bench(HANDHELD);
    one_ahead(&bay);
    let recorded = bay.kept().rows(LEDGER);
    assert!(recorded[2].contains("out of limit"), "{recorded:?}");
    // 9.20 ohm at 80 °C: copper's (234.5 + 20) / (234.5 + 80) of it is 7.44 ohm at 20 °C (IEC 60028's constant).
    let json: Value = serde_json::from_str(&bay.bayline(["correct", "1", "--part", "80 °C", "--json"]).done()).unwrap();
    assert_eq!((&json["judged_again"], &json["changed"][0]["step"]), (&json!(true), &json!("lift coil ohms")));
    let now = bay.kept().rows(LEDGER);
    assert!(
        now[2].starts_with("3 | lift coil ohms | 1 | in limit | 9.20 ohm at 80 °C is 7.44 ohm at 20 °C"),
        "{now:?}"
    );
    assert!(bay.bayline(["show", "1"]).done().contains("part: 80 °C"));
    assert!(bay.bayline(["show", "1"]).done().contains("part temperature is 80 °C, was 20 °C"));
    bay.bayline(["judge", "1", "--check"]).done();
    bay.bayline(["correct", "1", "--undo"]).done();
    assert_eq!(bay.kept().rows(LEDGER), recorded);
    assert_eq!(bay.kept().rows("SELECT part_c FROM session"), ["20"]);
}

#[test]
fn visit_and_marks_are_put_right() {
    let bay = Bay::with_bench(HANDHELD);
    one_ahead(&bay);
    let first = first_record(&bay);
    let said = bay.bayline(["correct", "1", "--machine", "loader 8", "--vin", "ldr-00417", "--by", "K"]).done();
    assert_eq!(
        said,
        "corrected: machine is \"loader 8\", was \"loader 7\", by K\ncorrected: VIN is \"LDR-00417\", was not told, by K\n"
    );
    assert!(bay.bayline(["sessions"]).done().contains("loader 8"));
    let marks = |bay: &Bay| -> Vec<String> {
        let csv = bay.bayline(["export", "1", "--table", "events", "-o", "-"]);
        let shown = if csv.code == Some(0) { csv.stdout } else { bay.bayline(["show", "1"]).done() };
        shown.lines().filter(|line| line.contains("mark") && !line.contains("corrected")).map(str::to_owned).collect()
    };
    assert_eq!(marks(&bay).len(), 2);
    bay.bayline(["correct", "1", "--mark", "wiggled", "--rename", "harness moved", "--to", "0.001 s"]).done();
    bay.bayline(["correct", "1", "--mark", "1", "--delete"]).done();
    let now = marks(&bay);
    assert_eq!(now.len(), 1, "{now:?}");
    assert!(now[0].contains("harness moved"), "{now:?}");
    assert_eq!(first_record(&bay), first);
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM judgement"), 0);
    for _ in 0..5 {
        bay.bayline(["correct", "1", "--undo"]).done();
    }
    assert_eq!(marks(&bay).len(), 2);
    assert_eq!(bay.kept().rows("SELECT machine, vin FROM session"), ["loader 7 | "]);
}

#[test]
fn marks_that_are_steps_take_their_samples_along() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for (count, mark) in (1..).zip(["park", "reverse", "drive"]) {
        daemon.mark(mark);
        handheld.line(&format!("{count}.5 V"));
        daemon.until_samples(count);
        daemon.take();
    }
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
    let ledger = || {
        bay.kept().rows(
        "SELECT step.number, step.name, step.first_row, step.last_row, capture.value FROM step JOIN session ON session.id = step.session
         LEFT JOIN capture ON capture.id = step.capture WHERE step.judgement = session.judgement ORDER BY number",
    )
    };
    let taken = || {
        bay.kept().rows(
            "SELECT capture.step, value FROM capture JOIN session ON session.id = capture.session
         WHERE capture.judgement = session.judgement ORDER BY capture.id",
        )
    };
    let recorded = ledger();
    bay.bayline(["correct", "1", "--mark", "2", "--rename", "neutral"]).done();
    assert!(ledger()[1].starts_with("2 | neutral | 2 | 2"), "{:?}", ledger());
    bay.bayline(["correct", "1", "--mark", "neutral", "--delete"]).done();
    assert_eq!(ledger().len(), 2);
    assert!(
        ledger()[0].starts_with("1 | park | 1 | 2") && ledger()[1].starts_with("2 | drive | 3 | 3"),
        "{:?}",
        ledger()
    );
    assert_eq!(taken(), ["1 | 1.5", "1 | 2.5", "2 | 3.5"]);
    // It is called by the number that the ledger has now, not by that of the first record.
    let said = bay.bayline(["correct", "1", "--mark", "2", "--rename", "drive again"]).done();
    assert!(said.contains("step 2 \"drive\" is \"drive again\" now"), "{said}");
    bay.bayline(["correct", "1", "--undo"]).done();
    assert!(
        bay.bayline(["correct", "1", "--mark", "park", "--delete"])
            .failed(2)
            .contains("the first mark can't be deleted")
    );
    assert!(
        bay.bayline(["correct", "1", "--mark", "drive", "--to", "1 h"])
            .failed(2)
            .contains("can be moved to a time between")
    );
    let third: f64 = bay.kept().rows("SELECT time_us / 1e6 FROM sample WHERE rowid = 2")[0].parse().unwrap();
    bay.bayline(["correct", "1", "--mark", "drive", "--to", &format!("{third} s")]).done();
    assert!(ledger()[1].starts_with("2 | drive | 2 | 3"), "{:?}", ledger());
    for _ in 0..3 {
        bay.bayline(["correct", "1", "--undo"]).done();
    }
    assert_eq!(ledger(), recorded);
}

#[test]
fn a_correction_that_names_nothing_changes_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    one_ahead(&bay);
    let whole = |bay: &Bay| bay.kept().rows("SELECT field FROM correction UNION ALL SELECT 'judged' FROM judgement");
    for (arguments, sentence) in [
        (
            &["--mark", "7", "--delete"][..],
            "\"7\" does not mean exactly one mark of session 1; there are: 1 \"plug off\", 2 \"wiggled\"",
        ),
        (&["--mark", "wiggled", "--rename", " "], "the mark's text is empty"),
        (&["--mark", "wiggled", "--to", "5 V"], "expected a time since the session began"),
        (&["--mark", "wiggled", "--to", "4 min"], "can be moved to a time between"),
        (&["--mark", "wiggled"], ""),
        (&["--rename", "x"], ""),
        (&["--step", "9", "--void", "x"], "session 1 has no step \"9\"; there are: 1 \"lift feed\""),
        (&["--step", "1", "--void", "x"], "nothing was captured in step 1 \"lift feed\""),
        (&["--step", "2", "--void", ""], "say why it does not count"),
        (&["--step", "2", "--file-under", "horn feed"], "has no step \"horn feed\"; there are: 1 \"lift feed\""),
        (&["--step", "2", "--file-under", "tilt feed"], "nothing would change"),
        (&["--machine", "loader 7"], "nothing would change"),
        (&["--part", "4000"], "expected a temperature from"),
        (&["--undo", "3"], "no correction 3 left to undo"),
        (&[], "say what is to be corrected"),
    ] {
        let output = bay.bayline(["correct", "1"].iter().chain(arguments));
        assert_eq!(output.code, Some(2), "{arguments:?}: {output:?}");
        if !sentence.is_empty() {
            assert!(output.stderr.contains(sentence), "{arguments:?}: {output:?}");
        }
        assert_eq!(whole(&bay), [""; 0], "{arguments:?}");
    }
    assert!(bay.bayline(["correct", "9", "--machine", "x"]).failed(1).contains("no session 9"));
}

const SHIFTS: &str = r#"
title = "Shifts by a mark"
[[step]]
name = "shifts"
when = [{ mark = "drive", channel = "lift coil", to = "at most 0.1 A", within = "600 ms" }]
"#;

/// Seen: a mark that was moved to its right place left what must follow it as it was.
#[test]
fn a_corrected_mark_moves_what_must_follow_it() {
    let bay = Bay::with_bench(&THREE.replace("1 mV per 10 mA", "10 mV/A").replace("\"columns\"", "\"columns-ms\""));
    let shifts = bay.write("shifts.toml", SHIFTS);
    let clamps = Board::of(bay.meter("clamps"), 2);
    let mut daemon = bay.start_with(&["--procedure", text(&shifts)]);
    daemon.until_open(["clamps"]);
    clamps.sends("0.162,0.010", 60);
    clamps.until_read(&mut daemon);
    daemon.mark("drive");
    clamps.sends("0.162,0.010", 160);
    clamps.sends("0.000,0.010", 80);
    clamps.until_read(&mut daemon);
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
    let session: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
    assert_eq!(session["responses"][0]["verdict"], "out of limit", "{session}");
    let changes = session["changes"].as_array().unwrap();
    let fell_s = changes.iter().find(|row| row["channel"] == "lift coil").unwrap()["at_s"].as_f64().unwrap();
    let to = format!("{:.3} s", fell_s - 0.1);
    bay.bayline(["correct", "1", "--mark", "1", "--to", &to]).done();
    let session: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
    assert_eq!(session["responses"][0]["verdict"], "in limit", "{session}");
    assert_eq!(session["steps"][0]["verdict"], "in limit");
    // Renamed, it is no such mark; undone, all is as it was.
    bay.bayline(["correct", "1", "--mark", "1", "--rename", "park"]).done();
    assert_eq!(bay.kept().rows(LEDGER)[0].split(" | ").nth(3), Some("no reading"));
    bay.bayline(["correct", "1", "--undo"]).done();
    bay.bayline(["correct", "1", "--undo"]).done();
    assert_eq!(bay.kept().rows(LEDGER)[0].split(" | ").nth(3), Some("out of limit"));
    bay.bayline(["judge", "1", "--check"]).done();
}

/// Seen: a temperature that was corrected while the session was open counted for the steps before only where `end` ended it.
#[test]
fn a_corrected_temperature_counts_however_the_session_ends() {
    for ended_how in ["stopped", "interrupted", "replaced"] {
        let bay = Bay::with_bench(HANDHELD);
        let feeds = bay.write("feeds.toml", FEEDS);
        let handheld = bay.meter("handheld");
        let mut daemon = bay.start_with(&["--procedure", text(&feeds), "--part", "20"]);
        daemon.until_open(["handheld"]);
        daemon.step("lift coil ohms");
        // 7.5 ohm at 20 °C have 8.77 ohm at 63 °C (copper, IEC 60228: 0.00393 for each K).
        handheld.line("8.77 ohm");
        daemon.until_samples(1);
        assert_eq!(daemon.take()["taken"][0]["verdict"], "out of limit");
        daemon.ask(json!({"do": "correct", "part_c": 63.0}));
        daemon.step("lift feed");
        match ended_how {
            "interrupted" => {
                daemon.kill();
                bay.start().stop();
            }
            "replaced" => {
                daemon.ask(json!({"do": "begin"}));
                daemon.stop();
            }
            _ => daemon.stop(),
        }
        let session: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
        let ohms = session["steps"].as_array().unwrap().iter().find(|step| step["name"] == "lift coil ohms").unwrap();
        assert_eq!(ohms["verdict"], "in limit", "{ended_how}: {session}");
        assert_eq!(
            (&session["session"]["judgement"], &session["session"]["ended_how"]),
            (&json!(1), &json!(ended_how))
        );
        bay.bayline(["judge", "1", "--check"]).done();
    }
}

/// Seen: a session that was cut off had no findings once it was judged again.
#[test]
fn a_session_that_was_cut_off_has_findings_as_it_is_judged_again() {
    let bay = Bay::with_bench(HANDHELD);
    let feeds = bay.write("feeds.toml", FEEDS);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&feeds), "--part", "20"]);
    daemon.until_open(["handheld"]);
    handheld.line("12.61 V");
    daemon.until_samples(1);
    daemon.take();
    daemon.step("lift coil ohms");
    handheld.line("9.20 ohm");
    daemon.until_samples(2);
    daemon.take();
    daemon.step("tilt feed");
    daemon.until_finding();
    daemon.kill();
    bay.start().stop();
    bay.bayline(["judge", "1"]).done();
    let session: Value = serde_json::from_str(&bay.bayline(["show", "1", "--json"]).done()).unwrap();
    assert_eq!(
        (&session["session"]["judgement"], &session["session"]["ended_how"]),
        (&json!(1), &json!("interrupted"))
    );
    assert!(!session["findings"].as_array().unwrap().is_empty(), "{session}");
}
