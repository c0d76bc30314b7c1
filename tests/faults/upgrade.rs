//! Proves that an upgrade that is killed leaves a whole copy or none.

use std::{fs, path::Path, process::Stdio, time::Duration};

use rusqlite::Connection;

use crate::harness::{Bay, HANDHELD};

/// A database of version 1 with enough in it that copying takes a while.
fn make_old(path: &Path) {
    let old = Connection::open(path).unwrap();
    old.execute_batch(include_str!("../data/store/version_1.sql")).unwrap();
    old.execute_batch(
        "PRAGMA user_version = 1;
         INSERT INTO session (uuid, began_utc, began_utc_us, ended_us, ended_how, machine, job, bench_text, program, first_row, last_row)
         VALUES ('x', '2026-01-01T00:00:00Z', 1767225600000000, 5, 'ended', 'loader', 'A-1', '', '0.1.0', 1, 300000);
         INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy) VALUES (1, 1, 'probe', 'V DC', 'V', 'm', 'value', '', '');
         WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 300000)
         INSERT INTO sample (time_us, channel, value) SELECT i, 1, i * 0.001 FROM n;",
    )
    .unwrap();
}

#[test]
#[ignore = "kills the upgrade some dozens of times"]
fn an_upgrade_that_is_killed_leaves_a_whole_copy_or_none() {
    let bay = Bay::with_bench(HANDHELD);
    fs::create_dir_all(bay.data()).unwrap();
    let original = bay.path("original.db");
    make_old(&original);
    let copy = bay.data().join("bayline.db.version-1");
    let (mut none, mut whole) = (0, 0);
    for round in 0..40 {
        for entry in fs::read_dir(bay.data()).unwrap() {
            let path = entry.unwrap().path();
            drop(fs::remove_file(&path));
        }
        fs::copy(&original, bay.database()).unwrap();
        let mut command = bay.command(["run", "--bench", "bench.toml"]);
        let mut process = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        // Killed some milliseconds after the copy was begun, at another moment each time.
        let unfinished = bay.data().join("bayline.db.version-1.unfinished");
        while !unfinished.exists() && !copy.exists() {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_millis(round * round / 4));
        process.kill().unwrap();
        process.wait().unwrap();
        if !copy.exists() {
            none += 1;
            continue;
        }
        whole += 1;
        let kept = Connection::open(&copy).unwrap();
        let count: i64 = kept.query_row("SELECT COUNT(*) FROM sample", [], |row| row.get(0)).unwrap();
        let health: String = kept.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!((count, health.as_str()), (300_000, "ok"));
    }
    println!("killed 40 times: no copy yet {none} times, a whole one {whole} times");
    bay.start().stop();
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM sample"), 300_000);
}
