//! Proves that a full and a read-only file system are told apart, and what helps.

use std::fs;

use serde_json::json;

use crate::{
    disks::{Mounted, Shim},
    harness::{Bay, HANDHELD},
};

#[test]
#[ignore = "needs root to mount a file system in memory"]
fn a_full_disk_wants_space() {
    let bay = Bay::with_bench(HANDHELD);
    let Some(mounted) = Mounted::in_memory(&bay.data(), "2m") else { return };
    let _handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    daemon.note("all is well");
    let ballast = bay.data().join("ballast");
    let mut filled = 0;
    // Until nothing more fits.
    if fs::write(&ballast, vec![1; 4 << 20]).is_err() {
        filled = fs::metadata(&ballast).map_or(0, |file| file.len());
    }
    let sentence = (0..200)
        .map(|count| daemon.answer(&json!({"do": "note", "text": format!("{count} {}", "x".repeat(3000))})))
        .find(|answer| answer["ok"] == false)
        .expect("the disk is full at last");
    let sentence = sentence["error"].as_str().unwrap();
    println!("full after {filled} bytes: {sentence}");
    assert!(sentence.contains("no space is left") && sentence.contains("free disk space"), "{sentence}");
    fs::remove_file(&ballast).unwrap();
    daemon.until("the end of the alarm", |status| status["alarms"] == json!([]));
    daemon.note("all is well again");
    daemon.stop();
    bay.kept().assert_sound();
    drop(mounted);
}

#[test]
#[ignore = "needs root to mount a file system in memory"]
fn a_read_only_disk_wants_to_be_made_writable() {
    let bay = Bay::with_bench(HANDHELD);
    let image = bay.path("image");
    let Some(mounted) = Mounted::in_file(&bay.data(), &image) else { return };
    let mut daemon = bay.start();
    daemon.note("all is well");
    // A file system can't be made read-only while a file on it is open to be written, unless it is told to in an
    // emergency: then it can't be made writable again either. So the daemon is started on one that is read-only.
    daemon.kill();
    let run = || bay.bayline(["run", "--bench", "bench.toml", "--log", "off"]);
    mounted.remount("ro").unwrap();
    let sentence = run().failed(1);
    println!("{sentence}");
    assert!(sentence.contains("can only be read"), "{sentence}");
    mounted.remount("rw").unwrap();
    bay.start().stop();
    drop(mounted);
}

/// As when the kernel makes a file system read-only after an error, with the file still open.
#[test]
#[ignore = "needs a C compiler"]
fn a_disk_that_becomes_read_only_while_running_wants_to_be_made_writable() {
    let Some(shim) = Shim::new() else { return };
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = shim.start(&bay);
    daemon.until_open(["handheld"]);
    daemon.note("all is well");
    shim.switch_on("erofs");
    let sentence = daemon.refused(json!({"do": "note", "text": "while it is read-only"}));
    println!("{sentence}");
    assert!(sentence.starts_with("done, but not on disk yet: "), "{sentence}");
    assert!(sentence.contains("can only be read") && sentence.contains("make the disk writable"), "{sentence}");
    // The values go on live, and the alarm stays.
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    let status = daemon.until("the alarm", |status| status["alarms"] != json!([]));
    assert!(status["alarms"][0].as_str().unwrap().contains("can only be read"), "{status}");
    shim.switch_off("erofs");
    daemon.until("the end of the alarm", |status| status["alarms"] == json!([]));
    daemon.note("it is writable again");
    daemon.stop();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"),
        ["all is well", "while it is read-only", "it is writable again"]
    );
    assert_eq!(kept.number("SELECT COUNT(*) FROM sample"), 2);
}
