//! Proves that sessions are listed and their ledgers shown, and that a script can act on them.

use serde_json::Value;

use crate::harness::{Bay, HANDHELD, ProgramOutput, text};

const FEEDS: &str = r#"
title = "Feeds"
[[step]]
name = "feed, lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "feed, tilt coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
"#;

/// Two sessions: one outside at first and then within, one that stays outside.
fn recorded() -> Bay {
    let bay = Bay::with_bench(HANDHELD);
    let feeds = bay.write("feeds.toml", FEEDS);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&feeds), "--machine", "loader 7", "--job", "A-113"]);
    daemon.until_open(["handheld"]);
    let mut samples = 0;
    let mut reads = |daemon: &mut crate::harness::Daemon, line: &str| {
        handheld.line(line);
        samples += 1;
        daemon.until_samples(samples);
    };
    reads(&mut daemon, "9.20 V");
    daemon.step("again");
    reads(&mut daemon, "12.41 V");
    daemon.step("next");
    reads(&mut daemon, "12.38 V");
    bay.bayline(["begin", "--procedure", "feeds.toml"]).done();
    samples = 0;
    let mut reads = |daemon: &mut crate::harness::Daemon, line: &str| {
        handheld.line(line);
        samples += 1;
        daemon.until_samples(samples);
    };
    reads(&mut daemon, "9.20 V");
    daemon.step("next");
    daemon.step("skip");
    daemon.note("fuse is gone");
    daemon.stop();
    bay
}

/// Seen by a technician: several values that were taken in one free-running step stood in no row.
#[test]
fn every_value_taken_in_a_free_running_step_has_a_row() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    daemon.mark("fuses");
    for (count, line) in (1..).zip(["0.012 V", "0.094 V"]) {
        handheld.line(line);
        daemon.until_samples(count);
        daemon.take();
    }
    daemon.stop();
    let shown = bay.bayline(["show"]).done();
    let rows: Vec<&str> = shown.lines().filter(|line| line.contains("probe (taken)")).collect();
    assert_eq!(rows.len(), 2, "{shown}");
    assert!(rows[0].contains(" 0.012 V") && rows[1].contains(" 0.094 V"), "{shown}");
}

#[test]
fn sessions_are_listed_oldest_first() {
    let bay = recorded();
    let said = bay.bayline(["sessions"]).done();
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines.len(), 3, "{said}");
    for (line, words) in lines.iter().zip([
        &["id", "began", "lasted", "ended", "samples", "steps", "out of limit", "procedure", "machine", "job"][..],
        &["1", "replaced", "Feeds", "loader 7", "A-113"],
        &["2", "stopped", "Feeds"],
    ]) {
        for word in words {
            assert!(line.contains(word), "no {word}: {line}");
        }
    }
    let said = bay.bayline(["sessions", "--json"]).done();
    let sessions: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let counts = |session: &Value| ["number", "samples", "steps", "outside"].map(|key| session[key].as_i64().unwrap());
    // The first attempt of session 1 was outside, but the last one counts; two attempts are one step.
    assert_eq!(sessions.iter().map(counts).collect::<Vec<_>>(), [[1, 3, 2, 0], [2, 1, 2, 1]]);
    assert_eq!(sessions[0]["uuid"], bay.kept().rows("SELECT uuid FROM session WHERE id = 1")[0]);
}

#[test]
fn a_ledger_shows_step_value_limit_verdict_and_why() {
    let bay = recorded();
    let said = bay.bayline(["show", "1"]).done();
    // No accuracy was given: the last digit alone, 10 mV / √12 by JCGM 100 F.2.2.1, makes u, and 2 u is shown.
    let squeezed = said.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ")).collect::<Vec<_>>();
    for line in [
        "machine: loader 7",
        "job: A-113",
        "1 feed, lift coil 9.20 V ± 0.01 V at least 11.8 V out of limit 9.20 V is 2.60 V too low, at least 11.8 V wanted",
        "1 feed, lift coil (attempt 2) 12.41 V ± 0.01 V at least 11.8 V in limit 12.41 V, at least 11.8 V wanted; the \
         attempt before was out of limit, 9.20 V: unless something was changed in between, it comes and goes; measure a third time",
        "2 feed, tilt coil 12.38 V ± 0.01 V at least 11.8 V in limit",
    ] {
        assert!(squeezed.iter().any(|other| other == line), "no {line}:\n{said}");
    }
    let said = bay.bayline(["show"]).done();
    assert!(said.contains("skipped") && said.contains("fuse is gone") && said.contains("1 out of limit"), "{said}");
    let said = bay.bayline(["show", "1", "--figures"]).done();
    assert!(said.contains("out of limit for") && said.contains("probe (V DC)"), "{said}");
    let spare = said.lines().find(|line| line.starts_with("feed, tilt coil ")).unwrap();
    assert!(spare.ends_with(" 0.58 V") && said.contains("to spare"), "{said}");
    // By its identity as well, or the beginning of it.
    let uuid = bay.kept().rows("SELECT uuid FROM session WHERE id = 1").remove(0);
    assert!(bay.bayline(["show", &uuid]).done().contains("loader 7"));
    for nobody in ["3", "0", "loader 7", "00000000-0000-7000-8000-000000000000"] {
        assert!(bay.bayline(["show", nobody]).failed(1).contains(&format!("there is no session {nobody}")));
    }
}

#[test]
fn json_holds_the_whole_ledger() {
    let bay = recorded();
    let session: Value = serde_json::from_str(&bay.bayline(["show", "2", "--json"]).done()).unwrap();
    let step = &session["steps"][0];
    assert_eq!((&step["name"], &step["verdict"]), (&"feed, lift coil".into(), &"out of limit".into()));
    assert_eq!((&step["capture"]["value"], &step["limit_low"]), (&9.2.into(), &11.8.into()));
    assert_eq!(step["capture"]["unit"], "V");
    assert_eq!((&session["steps"][1]["left"], &session["steps"][1]["verdict"]), (&"skipped".into(), &Value::Null));
    assert_eq!(session["figures"][0]["count"], 1);
}

#[test]
fn strict_tells_by_the_exit_status_whether_a_step_is_outside() {
    let bay = recorded();
    for (arguments, code) in [
        (&["show", "1", "--strict"][..], 0),
        (&["show", "2"], 0),
        (&["show", "2", "--strict"], 4),
        (&["show", "2", "--strict", "--json"], 4),
        (&["show", "7", "--strict"], 1),
    ] {
        assert_eq!(bay.bayline(arguments).code, Some(code), "{arguments:?}");
    }
}

#[test]
fn the_data_folder_can_be_told_by_the_environment() {
    let bay = recorded();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_bayline"));
    bay.at_home(&mut command).arg("sessions").env("BAYLINE_DATA", bay.data());
    assert_eq!(ProgramOutput::by(command).done(), bay.bayline(["sessions"]).done());
    // Told by nobody, it is one of the user's own, where there is nothing yet.
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_bayline"));
    bay.at_home(&mut command).arg("sessions");
    let sentence = ProgramOutput::by(command).failed(1);
    assert!(sentence.contains(&format!("there is no database {}", text(&bay.path("")))), "{sentence}");
}

#[test]
fn help_and_version_are_no_failures() {
    let bay = Bay::new();
    assert!(bay.bayline(["--version"]).done().starts_with("bayline "));
    let help = bay.bayline(["--help"]).done();
    for command in [
        "demo",
        "run",
        "begin",
        "end",
        "step",
        "take",
        "mark",
        "note",
        "status",
        "watch",
        "sessions",
        "show",
        "export",
        "protocols",
    ] {
        assert!(help.lines().any(|line| line.trim_start().starts_with(command)), "no {command}");
        bay.bayline([command, "--help"]).done();
    }
    assert!(help.contains("Exit status: 0 done; 1 failed;"), "{help}");
    assert!(bay.bayline(["protocols", "check"]).done().lines().count() >= 7);
    let listed = bay.bayline(["protocols", "--json"]).done();
    assert!(listed.lines().all(|line| serde_json::from_str::<Value>(line).unwrap()["source"].is_string()));
}
