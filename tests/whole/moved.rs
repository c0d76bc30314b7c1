//! Proves that a database that is moved, deleted, cut off or spoilt under the daemon costs nothing that was acknowledged.

use std::{
    fs::{self, OpenOptions},
    path::{Path, PathBuf},
};

use serde_json::json;

use crate::harness::{Bay, Daemon, HANDHELD, Kept, Meter, text};

/// A daemon with a step, two samples, a capture and a note on disk.
fn begun(bay: &Bay) -> (Daemon, Meter) {
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--machine", "loader 7"]);
    daemon.until_open(["handheld"]);
    daemon.step("before");
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    daemon.take();
    daemon.note("all is well");
    (daemon, handheld)
}

fn second(bay: &Bay) -> PathBuf {
    bay.data().join("bayline-2.db")
}

/// After what happened to the file: the next command is acknowledged, and all is in the new file.
fn assert_goes_on(bay: &Bay, mut daemon: Daemon, handheld: &Meter, words: &str) {
    daemon.step("after");
    handheld.line("12.3 V");
    daemon.until_samples(3);
    daemon.note("all is well again");
    let status = daemon.status();
    let alarm = status["alarms"][0].as_str().unwrap().to_owned();
    assert!(alarm.starts_with("bayline.db: ") && alarm.contains(words), "{alarm}");
    assert!(alarm.contains("bayline-2.db") && alarm.contains("recording goes on there"), "{alarm}");
    assert_eq!(status["database"], text(&second(bay)));
    daemon.stop();
    let kept = Kept::open(&second(bay));
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT id, machine, ended_how FROM session"), ["1 | loader 7 | stopped"]);
    assert_eq!(
        kept.rows("SELECT value, step_name FROM reading ORDER BY row"),
        ["12.1 | before", "12.2 | before", "12.3 | after"]
    );
    assert_eq!(kept.rows("SELECT channel, value FROM capture"), ["probe | 12.2"]);
    let notes = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
    assert_eq!(notes, ["all is well", "all is well again"]);
    let said = kept.rows("SELECT text FROM event WHERE kind = 'database'");
    assert!(said.len() == 1 && said[0] == alarm, "{said:?}");
    // It can be shown and exported, and the next daemon goes on in it.
    assert!(bay.bayline(["show"]).done().contains("loader 7"));
    assert_eq!(bay.bayline(["export"]).done().lines().count(), 4);
    bay.start().stop();
    assert_eq!(Kept::open(&second(bay)).number("SELECT COUNT(*) FROM session"), 2);
    let listed = bay.bayline(["sessions"]);
    assert_eq!(listed.stdout.lines().filter(|line| line.contains("loader 7")).count(), 1, "{listed:?}");
}

#[test]
fn a_database_that_was_moved_away_is_saved_again() {
    let bay = Bay::with_bench(HANDHELD);
    let (daemon, handheld) = begun(&bay);
    fs::rename(bay.database(), bay.data().join("elsewhere.db")).unwrap();
    assert_goes_on(&bay, daemon, &handheld, "was moved or deleted");
}

#[test]
fn a_database_that_was_deleted_with_its_log_is_saved_again() {
    let bay = Bay::with_bench(HANDHELD);
    let (daemon, handheld) = begun(&bay);
    for name in ["bayline.db", "bayline.db-wal", "bayline.db-shm"] {
        fs::remove_file(bay.data().join(name)).unwrap();
    }
    assert_goes_on(&bay, daemon, &handheld, "was moved or deleted");
}

#[test]
fn a_log_that_was_deleted_is_noticed() {
    let bay = Bay::with_bench(HANDHELD);
    let (daemon, handheld) = begun(&bay);
    fs::remove_file(bay.data().join("bayline.db-wal")).unwrap();
    assert_goes_on(&bay, daemon, &handheld, "its log");
}

#[test]
fn a_log_that_was_cut_off_is_noticed() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, handheld) = begun(&bay);
    empty(&bay.data().join("bayline.db-wal"));
    // The samples were in the log alone; what the technician did is in memory too.
    daemon.note("all is well again");
    let alarm = daemon.status()["alarms"][0].as_str().unwrap().to_owned();
    assert!(alarm.contains("was cut off") && alarm.contains("bayline-2.db"), "{alarm}");
    handheld.line("12.3 V");
    daemon.until_samples(3);
    daemon.stop();
    let kept = Kept::open(&second(&bay));
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT id, machine, ended_how FROM session"), ["1 | loader 7 | stopped"]);
    assert_eq!(kept.rows("SELECT name, left_how FROM step"), ["before | session ended"]);
    assert_eq!(kept.rows("SELECT channel, value FROM capture"), ["probe | 12.2"]);
    let notes = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
    assert_eq!(notes, ["all is well", "all is well again"]);
    assert_eq!(kept.rows("SELECT value FROM sample ORDER BY rowid DESC LIMIT 1"), ["12.3"]);
}

#[test]
fn a_database_that_was_cut_off_is_noticed() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, _handheld) = begun(&bay);
    // All of it into the database, as a checkpoint does from time to time.
    let other = rusqlite::Connection::open(bay.database()).unwrap();
    other.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    daemon.note("put in order by another program");
    assert_eq!(daemon.status()["alarms"], json!([]), "an orderly checkpoint is no damage");
    drop(other);
    OpenOptions::new().write(true).open(bay.database()).unwrap().set_len(4096).unwrap();
    daemon.note("all is well again");
    let alarm = daemon.status()["alarms"][0].as_str().unwrap().to_owned();
    assert!(alarm.contains("was cut off"), "{alarm}");
    daemon.stop();
    let kept = Kept::open(&second(&bay));
    kept.assert_sound();
    let notes = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
    assert_eq!(notes, ["all is well", "put in order by another program", "all is well again"]);
    assert_eq!(kept.rows("SELECT channel, value FROM capture"), ["probe | 12.2"]);
}

#[test]
fn a_folder_that_was_deleted_is_made_again() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, handheld) = begun(&bay);
    fs::remove_dir_all(bay.data()).unwrap();
    handheld.line("12.3 V");
    daemon.until_samples(3);
    daemon.note("all is well again");
    daemon.stop();
    let kept = Kept::open(&second(&bay));
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT value FROM sample"), ["12.1", "12.2", "12.3"]);
}

#[test]
fn a_table_that_another_program_dropped_is_no_full_disk() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, handheld) = begun(&bay);
    rusqlite::Connection::open(bay.database()).unwrap().execute_batch("DROP TABLE event").unwrap();
    daemon.note("all is well again");
    let alarm = daemon.status()["alarms"][0].as_str().unwrap().to_owned();
    assert!(alarm.contains("no such table: event") && alarm.contains("bayline-2.db"), "{alarm}");
    handheld.line("12.3 V");
    daemon.until_samples(3);
    daemon.stop();
    let kept = Kept::open(&second(&bay));
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT value FROM sample"), ["12.1", "12.2", "12.3"]);
    let notes = kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id");
    assert_eq!(notes, ["all is well", "all is well again"]);
    // Both files are one archive.
    assert_eq!(bay.bayline(["sessions", "--json"]).done().lines().count(), 1);
}

#[test]
fn a_database_that_another_program_locks_is_written_when_it_lets_go() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, _handheld) = begun(&bay);
    let other = rusqlite::Connection::open(bay.database()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let sentence = daemon.refused(json!({"do": "note", "text": "it is locked"}));
    assert!(
        sentence.contains("another program keeps it locked") && sentence.contains("close that program"),
        "{sentence}"
    );
    assert!(sentence.contains(&format!("(process {})", std::process::id())), "{sentence}");
    assert!(!sentence.contains("disk space"), "{sentence}");
    other.execute_batch("ROLLBACK").unwrap();
    daemon.until("the end of the alarm", |status| status["alarms"].as_array().unwrap().is_empty());
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"),
        ["all is well", "it is locked"]
    );
    assert!(!second(&bay).exists());
}

#[test]
fn a_damaged_database_of_an_earlier_visit_does_not_hold_up_the_next() {
    let bay = Bay::with_bench(HANDHELD);
    let (daemon, handheld) = begun(&bay);
    daemon.stop();
    rusqlite::Connection::open(bay.database()).unwrap().execute_batch("DROP VIEW reading; DROP TABLE step").unwrap();
    let mut daemon = bay.start();
    let alarm = daemon.status()["alarms"][0].as_str().unwrap().to_owned();
    assert!(alarm.contains("bayline.db is damaged") && alarm.contains("bayline-2.db"), "{alarm}");
    daemon.until_open(["handheld"]);
    handheld.line("12.3 V");
    daemon.until_samples(1);
    daemon.stop();
    // The numbers of sessions go on.
    assert_eq!(Kept::open(&second(&bay)).rows("SELECT id, ended_how FROM session"), ["2 | stopped"]);
    let listed = bay.bayline(["sessions"]);
    assert!(listed.code == Some(0) && listed.stderr.contains("no such table: step"), "{listed:?}");
}

fn empty(path: &Path) {
    OpenOptions::new().write(true).open(path).unwrap().set_len(0).unwrap();
}
