//! Proves that an I/O error that passes costs nothing that was acknowledged, and that the power may fail at any time.

use std::time::Duration;

use serde_json::json;

use crate::{
    disks::{Mounted, Shim, run},
    harness::{Bay, HANDHELD, now},
};

#[test]
fn an_io_error_is_told_from_a_full_disk() {
    let Some(shim) = Shim::new() else { return };
    let bay = Bay::with_bench(HANDHELD);
    let _handheld = bay.meter("handheld");
    let mut daemon = shim.start(&bay);
    daemon.until_open(["handheld"]);
    daemon.note("all is well");
    shim.switch_on("eio");
    let sentence = daemon.refused(json!({"do": "note", "text": "it answers with errors"}));
    assert!(sentence.contains("the disk answers with errors") && sentence.contains("cable"), "{sentence}");
    assert!(!sentence.contains("free disk space"), "{sentence}");
    shim.switch_off("eio");
    daemon.until("the end of the alarm", |status| status["alarms"] == json!([]));
    // The log was brought into the database and begun anew: whatever the disk forgot has been written again.
    assert_eq!(std::fs::metadata(bay.data().join("bayline.db-wal")).map_or(0, |log| log.len()), 0);
    daemon.note("all is well again");
    daemon.stop();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"),
        ["all is well", "it answers with errors", "all is well again"]
    );
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'database'"), 2);
}

/// Pages whose write-back failed count as clean in the system's memory and are absent on the disk. Seen without the
/// checkpoint after the recovery: of 139 notes that were acknowledged after it, none was there after the power cut.
#[test]
#[ignore = "needs root for a loop device, nbdkit and nbdfuse"]
fn what_is_acknowledged_after_an_io_error_survives_a_power_cut() {
    for round in 0..2 {
        let bay = Bay::with_bench(HANDHELD);
        let switch = bay.path("errors");
        let Some(mounted) = Mounted::on_failing_device(&bay.data(), &bay.path("."), &switch) else { return };
        let _handheld = bay.meter("handheld");
        let mut daemon = bay.start();
        daemon.until_open(["handheld"]);
        let mut noted: Vec<String> = Vec::new();
        for count in 0..20 {
            noted.push(format!("before {count}"));
            daemon.note(noted.last().unwrap());
        }
        std::fs::write(&switch, "").unwrap();
        let failing = now();
        let sentence = daemon.refused(json!({"do": "note", "text": "while it fails"}));
        noted.push("while it fails".to_owned());
        assert!(sentence.contains("the disk answers with errors"), "{sentence}");
        while failing.elapsed() < Duration::from_secs(3) {
            daemon.refused(json!({"do": "note", "text": "while it fails"}));
            noted.push("while it fails".to_owned());
            std::thread::sleep(Duration::from_millis(500));
        }
        std::fs::remove_file(&switch).unwrap();
        let recovering = now();
        daemon.until("the end of the alarm", |status| status["alarms"] == json!([]));
        println!("round {round}: it went on {:?} after the disk was well again", recovering.elapsed());
        for count in 0..139 {
            noted.push(format!("after {count}"));
            daemon.note(noted.last().unwrap());
        }
        daemon.kill();
        mounted.again();
        let kept = bay.kept();
        kept.assert_sound();
        let found = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
        println!("round {round}: {} of {} acknowledged notes are there", found.len(), noted.len());
        assert_eq!(found, noted);
        assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'database'"), 2);
        drop(kept);
        drop(mounted);
    }
}

#[test]
#[ignore = "needs root for a loop mount, and xfs_io"]
fn what_is_acknowledged_survives_a_power_cut() {
    let bay = Bay::with_bench(HANDHELD);
    let image = bay.path("image");
    let Some(mounted) = Mounted::in_file(&bay.data(), &image) else { return };
    if let Err(why) = run("xfs_io", &["-V"]) {
        return println!("skipped: the power can't be cut: {why}");
    }
    let mut daemon = bay.start();
    let noted: Vec<String> = (0..100).map(|count| format!("note {count}")).collect();
    for note in &noted {
        daemon.note(note);
    }
    run("xfs_io", &["-x", "-c", "shutdown", bay.data().to_str().unwrap()]).unwrap();
    daemon.kill();
    drop(mounted);
    let mounted = Mounted::in_file(&bay.data(), &image).unwrap();
    let kept = bay.kept();
    kept.assert_sound();
    let found = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
    println!("{} of {} acknowledged notes are there after the power cut", found.len(), noted.len());
    assert_eq!(found, noted);
    drop(kept);
    drop(mounted);
}
