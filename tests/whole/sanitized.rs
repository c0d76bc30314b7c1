//! Proves that text from outside steers no terminal, no log and no sheet, and that JSON has it as it was.

use std::fs;

use serde_json::{Value, json};

use crate::harness::{Bay, HANDHELD, text};

/// Clears the screen, rings, begins a new line and turns the direction of writing.
const HOSTILE: &str = "oil\u{1b}[2J\u{7}\nALARM: x\u{202e}y\u{9b}31m";

const SHOWN: &str = "oil\\u{1b}[2J\\u{7}\\nALARM: x\\u{202e}y\\u{9b}31m";

fn assert_sanitized(said: &str) {
    let steers = |character: char| character != '\n' && (character.is_control() || character == '\u{202e}');
    assert!(!said.contains(steers) && !said.contains("\nALARM: x"), "{said:?}");
}

#[test]
fn what_came_from_outside_is_shown_sanitized() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--machine", HOSTILE]);
    daemon.until_open(["handheld"]);
    daemon.step(HOSTILE);
    handheld.bytes(b"12.4\x1b[2J V\r\n");
    handheld.line("12.4 V");
    daemon.until_samples(1);
    daemon.note(HOSTILE);
    let log = daemon.log();
    for arguments in [
        &["status"][..],
        &["show", "--figures"],
        &["sessions"],
        &["note", HOSTILE],
        &["step", HOSTILE],
        &["export"],
        &["show", HOSTILE],
        &["zero", HOSTILE],
    ] {
        let output = bay.bayline(arguments);
        assert_sanitized(&output.stdout.replace("\r\n", "\n"));
        assert_sanitized(&output.stderr);
    }
    assert!(bay.bayline(["status"]).done().contains(&format!("machine: {SHOWN}")));
    bay.bayline(["export", "--folder", "out"]).done();
    for name in ["samples.csv", "steps.csv", "events.csv"] {
        let sheet = fs::read_to_string(bay.path("out").join(name)).unwrap();
        assert_sanitized(&sheet.replace("\r\n", "\n"));
        assert!(sheet.contains(SHOWN), "{name}: {sheet}");
    }
    // A line feed is a space on a page.
    let page = bay.bayline(["report", "--full"]).done();
    let steers = |character: char| character != '\n' && (character.is_control() || character == '\u{202e}');
    assert!(!page.contains(steers) && page.contains("oil\\u{1b}[2J\\u{7}"), "{page}");
    // A script gets what was written.
    let status: Value = serde_json::from_str(&bay.bayline(["status", "--json"]).done()).unwrap();
    assert_eq!((&status["session"]["machine"], &status["step"]["name"]), (&json!(HOSTILE), &json!(HOSTILE)));
    daemon.stop();
    assert_sanitized(&log.lock().unwrap());
    assert!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'").contains(&HOSTILE.to_owned()));
    assert!(bay.bayline(["run", "--bench", text(&bay.path("no\u{1b}ne.toml"))]).failed(2).contains("no\\u{1b}ne"));
}

#[test]
fn a_name_of_three_hundred_characters_breaks_no_table() {
    let bay = Bay::with_bench(HANDHELD);
    let long = "n".repeat(300);
    let mut daemon = bay.start_with(&["--machine", &long]);
    daemon.step(&long);
    daemon.stop();
    for arguments in [["show", "last"], ["sessions", "--find=n"]] {
        let said = bay.bayline(arguments).done();
        let rows: Vec<&str> =
            said.lines().filter(|line| line.contains("nnn") && !line.starts_with("machine")).collect();
        assert!(rows.len() == 1 && rows[0].contains('…') && rows[0].chars().count() < 200, "{said}");
    }
}
