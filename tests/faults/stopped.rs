//! Proves that a program that was stopped for a while says so, and blames no meter.

use std::{thread, time::Duration};

use nix::sys::signal::Signal;

use crate::harness::{Bay, HANDHELD};

/// Longer than a meter may be silent.
const STOPPED: Duration = Duration::from_secs(12);

#[test]
#[ignore = "stops the daemon for some seconds"]
fn a_stopped_process_blames_no_meter() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.line("12.1 V");
    daemon.until_samples(1);
    daemon.signal(Signal::SIGSTOP);
    thread::sleep(STOPPED);
    daemon.signal(Signal::SIGCONT);
    handheld.line("12.2 V");
    daemon.until_samples(2);
    daemon.stop();
    let kept = bay.kept();
    let events = kept.rows("SELECT kind, text FROM event WHERE kind IN ('not running', 'meter silent')");
    println!("{events:?}");
    assert!(events.len() == 1 && events[0].starts_with("not running | bayline did not run for 1"), "{events:?}");
}
