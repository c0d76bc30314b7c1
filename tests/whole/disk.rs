//! Proves that a full disk is reported, and that everything is kept once it can be written again.
//!
//! A limit on the size of files stands in for a full disk: it can be lowered and raised while the
//! daemon runs, by anyone.

#![cfg(target_os = "linux")]

use std::process::Command;

use rustix::process::{Pid, Resource, Rlimit, getrlimit, prlimit};
use serde_json::json;

use crate::harness::{Bay, Daemon, HANDHELD, ProgramOutput};

/// The daemon's command, run so that a file that may not grow is an error and no signal.
fn without_signal(bay: &Bay, before: &str) -> Command {
    let mut command = Command::new("sh");
    let script = format!("trap '' XFSZ; {before} exec \"$0\" \"$@\"");
    bay.at_home(&mut command).args(["-c", &script, env!("CARGO_BIN_EXE_bayline")]);
    command.args(["run", "--bench", "bench.toml", "--data"]).arg(bay.data());
    command
}

fn let_files_grow_to(daemon: &Daemon, bytes: Option<u64>) {
    let process = Pid::from_raw(daemon.process().cast_signed());
    let maximum = getrlimit(Resource::Fsize).maximum;
    prlimit(process, Resource::Fsize, Rlimit { current: bytes.or(maximum), maximum }).unwrap();
}

#[test]
fn a_disk_that_is_full_for_a_while_costs_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.launch(without_signal(&bay, ""));
    daemon.until_open(["handheld"]);
    daemon.step("before");
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    daemon.note("all is well");

    let_files_grow_to(&daemon, Some(4096));
    let sentence = daemon.refused(json!({"do": "step", "to": "while it is full"}));
    assert!(sentence.starts_with("done, but not on disk yet: cannot write the database: "), "{sentence}");
    handheld.lines(["12.3 V", "12.4 V", "12.5 V"]);
    daemon.until_samples(5);
    let sentence = daemon.refused(json!({"do": "note", "text": "it is full"}));
    assert!(sentence.contains("not on disk"), "{sentence}");
    let status = daemon.status();
    let alarm = status["alarms"][0].as_str().unwrap();
    assert!(alarm.contains("cannot write the database") && alarm.contains("free disk space"), "{alarm}");
    assert_eq!(status["step"]["name"], "while it is full");
    assert!(bay.bayline(["mark", "a third word"]).failed(1).contains("not on disk"));
    // What is on disk can be read all the while.
    assert_eq!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"), ["all is well"]);

    let_files_grow_to(&daemon, None);
    daemon.until("the end of the alarm", |status| status["alarms"].as_array().unwrap().is_empty());
    handheld.line("12.6 V");
    daemon.until_samples(6);
    daemon.note("all is well again");
    daemon.stop();

    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT value, step_name FROM reading ORDER BY row"),
        [
            "12.1 | before",
            "12.2 | before",
            "12.3 | while it is full",
            "12.4 | while it is full",
            "12.5 | while it is full",
            "12.6 | a third word",
        ]
    );
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"),
        ["all is well", "it is full", "all is well again"]
    );
    let store = kept.rows("SELECT text FROM event WHERE kind = 'database' ORDER BY id");
    assert_eq!((store.len(), store[1].as_str()), (2, "the database can be written again"), "{store:?}");
    assert!(store[0].starts_with("cannot write the database: "), "{store:?}");
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'samples lost'"), 0);
}

#[test]
fn a_daemon_that_stops_on_a_full_disk_says_that_it_failed() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.launch(without_signal(&bay, ""));
    daemon.until_open(["handheld"]);
    handheld.line("12.1 V");
    daemon.until_samples(1);
    daemon.note("all is well");
    let_files_grow_to(&daemon, Some(4096));
    daemon.refused(json!({"do": "note", "text": "it is full"}));
    let (status, _) = daemon.stop_with(nix::sys::signal::Signal::SIGTERM);
    assert_eq!(status.code(), Some(1));
    // As after a kill: what was acknowledged is there, and the session is closed at the next start.
    bay.start().stop();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT ended_how FROM session"), ["interrupted", "stopped"]);
    assert_eq!(kept.rows("SELECT text FROM event WHERE kind = 'note'"), ["all is well"]);
    assert_eq!(kept.rows("SELECT value FROM sample"), ["12.1"]);
}

#[test]
fn a_disk_that_is_full_at_the_start_is_reported() {
    let bay = Bay::with_bench(HANDHELD);
    // Eight blocks of 512 bytes: not even an empty database.
    let mut command = without_signal(&bay, "ulimit -f 8;");
    command.args(["--log", "off"]);
    let sentence = ProgramOutput::by(command).failed(1);
    assert!(sentence.contains("bayline.db can't be opened") && sentence.contains("space"), "{sentence}");
}
