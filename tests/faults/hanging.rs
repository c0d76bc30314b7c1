//! Proves that a disk that does not answer holds up neither the live values nor the end, and that it is told.

use std::{thread, time::Duration};

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::{
    disks::{Mounted, Shim, run},
    harness::{Bay, HANDHELD, Kept, now},
};

/// The promise: reported after two seconds, looked at twice a second.
const REPORTED: Duration = Duration::from_secs(4);

/// The promise: the end waits five seconds for the disk.
const END: Duration = Duration::from_secs(8);

fn alarms(status: &Value) -> Vec<String> {
    status["alarms"].as_array().unwrap().iter().map(|alarm| alarm.as_str().unwrap().to_owned()).collect()
}

/// Goes through a time in which the disk does not answer, between `begin` and `end`.
fn goes_on_live(bay: &Bay, daemon: &mut crate::harness::Daemon, begin: impl FnOnce(), end: impl FnOnce()) {
    let handheld = bay.meter("handheld");
    daemon.until_open(["handheld"]);
    daemon.step("before");
    handheld.line("12.1 V");
    daemon.until_samples(1);
    begin();
    let began = now();
    // More than the queue to the writer holds.
    let (mut slowest, mut reported) = (Duration::ZERO, None);
    for count in 0..600 {
        handheld.line(&format!("{count} mV"));
        let shown = now();
        let status = daemon.until("the reading", |status| status["session"]["samples"] == count + 2);
        slowest = slowest.max(shown.elapsed());
        if !alarms(&status).is_empty() {
            reported.get_or_insert(began.elapsed());
        }
    }
    let status = daemon.until("the alarm", |status| !alarms(status).is_empty());
    let reported = reported.unwrap_or_else(|| began.elapsed());
    let alarm = alarms(&status)[0].clone();
    assert!(alarm.contains("the disk does not answer, nothing has reached it since "), "{alarm}");
    assert!(reported < REPORTED, "{reported:?}");
    let asked = now();
    let sentence = daemon.refused(json!({"do": "note", "text": "while it hangs"}));
    println!(
        "the slowest of 600 readings was shown after {slowest:?}, the alarm came after {reported:?}, a note was answered after {:?}",
        asked.elapsed()
    );
    assert!(sentence.starts_with("done, but not on disk yet: ") && asked.elapsed() < REPORTED, "{sentence}");
    assert!(slowest < Duration::from_secs(1), "{slowest:?}");
    end();
    daemon.until("the end of the alarm", |status| alarms(status).is_empty());
    daemon.note("it answers again");
}

struct Melted(std::path::PathBuf);

impl Drop for Melted {
    fn drop(&mut self) {
        drop(run("fsfreeze", &["-u", self.0.to_str().unwrap()]));
    }
}

fn assert_all_kept(kept: &Kept) {
    kept.assert_sound();
    assert_eq!(kept.number("SELECT COUNT(*) FROM sample"), 601);
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"),
        ["while it hangs", "it answers again"]
    );
    let said = kept.rows("SELECT text FROM event WHERE kind = 'database' ORDER BY id");
    assert_eq!((said.len(), &said[1][..]), (2, "the disk answers again"), "{said:?}");
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'samples lost'"), 0);
}

#[test]
#[ignore = "waits some seconds for the alarm"]
fn a_disk_that_does_not_answer_holds_up_no_reading() {
    let Some(shim) = Shim::new() else { return };
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = shim.start(&bay);
    goes_on_live(&bay, &mut daemon, || shim.switch_on("hang"), || shim.switch_off("hang"));
    daemon.stop();
    assert_all_kept(&bay.kept());
}

#[test]
#[ignore = "needs root for a loop mount"]
fn a_file_system_that_is_frozen_holds_up_no_reading() {
    let bay = Bay::with_bench(HANDHELD);
    let Some(mounted) = Mounted::in_file(&bay.data(), &bay.path("image")) else { return };
    let data = bay.data();
    let mut daemon = bay.start();
    // Melted whatever happens: what waits for a frozen file system can't even be killed.
    let melted = Melted(data.clone());
    let freeze = || drop(run("fsfreeze", &["-f", data.to_str().unwrap()]).unwrap());
    goes_on_live(&bay, &mut daemon, freeze, || drop(melted));
    daemon.stop();
    assert_all_kept(&bay.kept());
    drop(mounted);
}

#[test]
#[ignore = "waits for the deadline of the end"]
fn the_end_has_a_deadline_and_says_what_was_not_written() {
    let Some(shim) = Shim::new() else { return };
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = shim.start(&bay);
    daemon.until_open(["handheld"]);
    daemon.note("all is well");
    shim.switch_on("hang");
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    daemon.refused(json!({"do": "note", "text": "while it hangs"}));
    let log = daemon.log();
    let (status, took) = daemon.stop_with(Signal::SIGTERM);
    // Its last line may still be on the way.
    thread::sleep(Duration::from_millis(200));
    let log = log.lock().unwrap().clone();
    println!("it ended {took:?} after the signal");
    assert_eq!(status.code(), Some(1), "{log}");
    assert!(took < END, "{took:?}");
    let last = log.lines().last().unwrap_or_default();
    assert!(last.starts_with("bayline: not everything is on disk: the disk did not answer"), "{log}");
    assert!(last.contains("1 note or mark") && last.contains("2 samples"), "{last}");
    assert_eq!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"), ["all is well"]);
}
