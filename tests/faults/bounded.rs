//! Proves that memory is bounded while nothing reaches the disk.

use std::fs;

use serde_json::json;

use crate::{
    disks::Shim,
    harness::{Bay, Daemon, HANDHELD},
};

fn resident_kib(daemon: &Daemon) -> u64 {
    let status = fs::read_to_string(format!("/proc/{}/status", daemon.process())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Seen: 300 notes of 1 MB took 300 MB.
#[test]
fn commands_are_bounded_in_length_and_number() {
    let Some(shim) = Shim::new() else { return };
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = shim.start(&bay);
    let sentence = daemon.refused(json!({"do": "note", "text": "x".repeat(1_000_000)}));
    assert!(sentence.contains("4000"), "{sentence}");
    let _handheld = bay.meter("handheld");
    daemon.until_open(["handheld"]);
    shim.switch_on("eio");
    let before = resident_kib(&daemon);
    let (mut taken, mut refused) = (0, 0);
    for _ in 0..700 {
        let sentence = daemon.refused(json!({"do": "note", "text": "x".repeat(4000)}));
        if sentence.starts_with("done") {
            taken += 1;
        } else {
            assert!(sentence.contains("commands wait for the disk already"), "{sentence}");
            refused += 1;
        }
    }
    println!(
        "{taken} notes of 4000 characters were taken, {refused} refused; memory grew by {} KiB",
        resident_kib(&daemon) - before
    );
    // The first was taken before the disk was known to fail.
    assert_eq!((taken, refused), (501, 199));
    shim.switch_off("eio");
    daemon.until("the end of the alarm", |status| status["alarms"] == json!([]));
    daemon.note("all is well again");
    daemon.stop();
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM event WHERE kind = 'note'"), 502);
}
