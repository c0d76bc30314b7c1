//! Proves that whatever was acknowledged survives a kill, and that the file is sound after it.

use std::{
    sync::atomic::{AtomicBool, Ordering},
    thread,
    time::Duration,
};

use serde_json::json;

use crate::harness::{Bay, HANDHELD, text};

#[test]
fn what_was_acknowledged_survives_a_kill() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    daemon.step("before");
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    daemon.mark("after");
    handheld.line("12.3 V");
    daemon.until_samples(3);
    daemon.take();
    daemon.note("oil on the plug");
    daemon.kill();

    // The ledger can be read before any daemon has tidied up.
    assert!(bay.bayline(["show"]).done().contains("still open"));
    let mut daemon = bay.start();
    daemon.note("up again");
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT id, ended_how, first_row, last_row FROM session"),
        ["1 | interrupted | 1 | 3", "2 | - | 4 | -"]
    );
    assert_eq!(
        kept.rows("SELECT name, left_how, first_row, last_row FROM step"),
        ["before | done | 1 | 2", "after | interrupted | 3 | 3"]
    );
    assert_eq!(kept.rows("SELECT value, step_name FROM reading"), ["12.1 | before", "12.2 | before", "12.3 | after"]);
    assert_eq!(kept.rows("SELECT channel, value FROM capture"), ["probe | 12.3"]);
    assert_eq!(kept.rows("SELECT text FROM event WHERE kind = 'note' AND session = 1"), ["oil on the plug"]);
    assert_eq!(kept.number("SELECT COUNT(*) FROM session WHERE ended_us < (SELECT MAX(time_us) FROM sample)"), 0);

    // And recording goes on, in a session of its own.
    daemon.until_open(["handheld"]);
    handheld.line("12.4 V");
    daemon.until_samples(1);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT session, value, step FROM reading WHERE row = 4"), ["2 | 12.4 | -"]);
}

#[test]
fn samples_reach_the_disk_without_anyone_asking() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.lines(["12.1 V", "12.2 V"]);
    // The group commit alone brings them there.
    bay.kept().until("SELECT COUNT(*) FROM sample", &["2"]);
    daemon.kill();
    let daemon = bay.start();
    assert_eq!(bay.kept().rows("SELECT value FROM sample"), ["12.1", "12.2"]);
    daemon.stop();
}

#[test]
fn kills_in_the_middle_of_a_stream_lose_nothing_acknowledged() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let done = AtomicBool::new(false);
    let mut noted = Vec::new();
    thread::scope(|scope| {
        let stream = scope.spawn(|| {
            for count in 0.. {
                if done.load(Ordering::Relaxed) {
                    return;
                }
                handheld.line(&format!("{count} V"));
            }
        });
        for round in 0..4 {
            let mut daemon = bay.start();
            daemon.until("a stream", |status| status["session"]["samples"].as_u64() > Some(1000));
            for count in 0..=round * 3 {
                let note = format!("round {round}, note {count}");
                daemon.note(&note);
                noted.push(note);
                daemon.step(&format!("step {count}"));
            }
            // Killed between one commit and the next, wherever that is.
            daemon.kill();
        }
        let daemon = bay.start();
        done.store(true, Ordering::Relaxed);
        stream.join().unwrap();
        daemon.stop();
    });

    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT text FROM event WHERE kind = 'note' ORDER BY id"), noted);
    assert_eq!(
        kept.rows("SELECT id, ended_how, (SELECT COUNT(*) FROM step WHERE session = session.id) FROM session"),
        [
            "1 | interrupted | 1",
            "2 | interrupted | 4",
            "3 | interrupted | 7",
            "4 | interrupted | 10",
            "5 | stopped | 0"
        ]
    );
    // Sessions follow each other without a gap, and every sample belongs to exactly one.
    assert_eq!(
        kept.number(
            "SELECT COUNT(*) FROM session AS a JOIN session AS b ON b.id = a.id + 1 WHERE b.first_row <> a.last_row + 1"
        ),
        0
    );
    assert_eq!(
        kept.number("SELECT COUNT(*) FROM reading JOIN session ON session.id = reading.session WHERE row NOT BETWEEN first_row AND last_row"),
        0
    );
    // Within a session the stream has no hole: each value is one more than the one before. Only the
    // first may be the end of a line, since the port was opened in the middle of it.
    assert_eq!(
        kept.rows(
            "SELECT a.rowid, a.value, b.value, s.id, s.first_row FROM sample AS a JOIN sample AS b ON b.rowid = a.rowid + 1
             JOIN session AS s ON a.rowid BETWEEN s.first_row AND s.last_row
             WHERE a.channel = b.channel AND b.value <> a.value + 1 AND a.rowid <> s.first_row"
        ),
        [""; 0]
    );
}

/// A limit that is broken and kept by turns: with nearly every sample something follows from it.
const RESTLESS: &str = r#"
title = "Loose plug"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "worst"
"#;

/// Seen: the last commit of a daemon that was killed lay between samples and what followed from them, and the session came out
/// otherwise when it was judged again.
#[test]
fn after_kills_every_session_is_judged_again_alike() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write("restless.toml", RESTLESS);
    let handheld = bay.meter("handheld");
    let done = AtomicBool::new(false);
    thread::scope(|scope| {
        let stream = scope.spawn(|| {
            for count in 0u32.. {
                if done.load(Ordering::Relaxed) {
                    return;
                }
                handheld.line(if count % 7 < 3 { "9.00 V" } else { "12.41 V" });
                // As fast as a quick board: what is recorded is judged again in the end.
                thread::sleep(Duration::from_millis(1));
            }
        });
        for round in 0..5u64 {
            let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
            daemon.note(&format!("round {round}"));
            // Killed at another time after a commit each round.
            daemon.until("a stream", |status| status["session"]["samples"].as_u64() > Some(300 + 200 * round));
            daemon.kill();
        }
        let daemon = bay.start();
        done.store(true, Ordering::Relaxed);
        stream.join().unwrap();
        daemon.stop();
    });
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.number("SELECT COUNT(*) FROM session WHERE ended_how = 'interrupted'"), 5);
    assert!(kept.number("SELECT COUNT(*) FROM excursion WHERE judgement = 0") > 8);
    let said = bay.bayline(["judge", "all", "--check"]).done();
    assert_eq!(said.matches("all comes out the same").count(), 6, "{said}");
}

#[test]
fn a_socket_and_a_lock_that_a_dead_daemon_left_are_no_hindrance() {
    let bay = Bay::with_bench(HANDHELD);
    let daemon = bay.start();
    daemon.kill();
    assert!(bay.socket().exists());
    assert!(bay.bayline(["status"]).failed(3).contains("no daemon is running"));
    let mut daemon = bay.start();
    daemon.ask(json!({"do": "status"}));
}

/// Feed, ohms and amps of a coil with 0.9 ohm too many: the third step alone would say nothing.
const COIL: &str = r#"
title = "Lift coil"
[[step]]
name = "feed"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "6.2 ohm ± 8 %"
[[step]]
name = "amps"
circuit = "lift coil"
channel = "probe"
quantity = "A DC"
"#;

#[test]
fn a_session_that_was_cut_off_is_gone_on_with() {
    let bay =
        Bay::with_bench(&HANDHELD.replace("name = \"probe\"", "name = \"probe\"\naccuracy = \"0.5 % + 2 digits\""));
    let procedure = bay.write("coil.toml", COIL);
    let handheld = bay.meter("handheld");
    let mut daemon =
        bay.start_with(&["--procedure", text(&procedure), "--machine", "loader 7", "--job", "A-113", "--part", "20"]);
    daemon.until_open(["handheld"]);
    // Ohm's law: 12.87 V over 6.2 ohm and 1.8 ohm is 1.609 A.
    for (count, line) in [(1, "12.87 V"), (2, "6.20 ohm")] {
        handheld.line(line);
        daemon.until_samples(count);
        daemon.take();
        if count == 1 {
            daemon.step("next");
        }
    }
    assert!(bay.bayline(["begin", "--continues", "last"]).failed(1).contains("still open"));
    daemon.kill();

    let mut daemon = bay.start_with(&["--continues", "last", "--job", "A-113 b"]);
    daemon.until_open(["handheld"]);
    // Seen: it advised the command that it was carrying out.
    let log = daemon.log();
    let told = crate::harness::until("the session that was cut off to be told", || {
        let log = log.lock().unwrap().clone();
        if log.contains("session 1 was cut off") { Ok(log) } else { Err(log) }
    });
    assert!(told.contains("it is closed as interrupted, and this run continues it"), "{told}");
    assert!(!told.contains("bayline begin --continues"), "{told}");
    let status = daemon.status();
    // The step in which it was cut off had not been left: it is done again.
    assert_eq!((&status["step"]["name"], &status["step"]["attempt"]), (&json!("ohms"), &json!(2)));
    assert_eq!((&status["session"]["machine"], &status["session"]["job"]), (&json!("loader 7"), &json!("A-113 b")));
    handheld.line("6.20 ohm");
    daemon.until_samples(1);
    daemon.take();
    daemon.step("next");
    handheld.line("1.609 A");
    daemon.until_samples(2);
    daemon.take();
    daemon.step("next");
    // What had been captured before counts on.
    let finding = daemon.until_finding();
    assert_eq!(finding["kind"], "high resistance, place unknown", "{finding}");
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT id, ended_how, machine, job, part_c, procedure_title FROM session ORDER BY id"),
        ["1 | interrupted | loader 7 | A-113 | 20 | Lift coil", "2 | stopped | loader 7 | A-113 b | 20 | Lift coil"]
    );
    assert_eq!(
        kept.rows("SELECT one.id, other.id FROM session one JOIN session other ON other.continues = one.uuid"),
        ["1 | 2"]
    );
    assert!(bay.bayline(["show", "last"]).done().contains("continues session "));
    // The halves of one visit are no before and after.
    for (one, other) in [("1", "2"), ("2", "1")] {
        let halves = bay.bayline(["compare", one, other]);
        let words = format!("sessions {one} and {other} are parts of one visit that was cut off and continued");
        assert!(halves.code == Some(0) && halves.stderr.contains(&words), "{halves:?}");
    }
    assert!(bay.bayline(["run", "--bench", "bench.toml", "--continues", "7"]).failed(1).contains("no session 7"));
    kept.assert_sound();
}

const DRIVE: &str = r#"
title = "Yard drive"
[[step]]
name = "drive"
channel = "probe"
quantity = "V DC"
at_least = "11.5 V"
capture = "worst"
"#;

/// Seen: the dip of the first part was forgotten, and `show --strict` ended with 0 on both.
#[test]
fn the_worst_of_a_step_that_was_cut_off_is_worst_of_all_parts() {
    let bay =
        Bay::with_bench(&HANDHELD.replace("name = \"probe\"", "name = \"probe\"\naccuracy = \"0.5 % + 2 digits\""));
    let procedure = bay.write("drive.toml", DRIVE);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["handheld"]);
    handheld.lines(["12.41 V", "9.20 V", "12.40 V"]);
    daemon.until_samples(3);
    daemon.note("cut off now");
    daemon.kill();
    // Cut off a second time, with nothing worse in between.
    let mut daemon = bay.start_with(&["--continues", "last"]);
    daemon.until_open(["handheld"]);
    handheld.lines(["12.30 V", "10.90 V", "10.10 V", "10.50 V"]);
    daemon.until_samples(4);
    daemon.note("and again");
    daemon.kill();
    let mut daemon = bay.start_with(&["--continues", "last"]);
    daemon.until_open(["handheld"]);
    handheld.line("12.45 V");
    daemon.until_samples(1);
    daemon.step("next");
    daemon.stop();

    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT session, left_how, verdict FROM step ORDER BY id"),
        ["1 | interrupted | out of limit", "2 | interrupted | out of limit", "3 | done | out of limit"]
    );
    assert_eq!(
        kept.rows("SELECT session, how, value FROM capture ORDER BY id"),
        ["1 | worst | 9.2", "2 | worst | 9.2", "3 | worst | 9.2"]
    );
    assert_eq!(
        kept.rows("SELECT session, count, min, max FROM figure ORDER BY session"),
        ["1 | 3 | 9.2 | 12.41", "2 | 4 | 10.1 | 12.3", "3 | 1 | 12.45 | 12.45"]
    );
    // One lasted when the session was cut off. That of the first part stands in the ledger of the last.
    assert_eq!(
        kept.rows("SELECT session, step, number, channel, worst, limit_low, ended_us >= began_us FROM excursion"),
        ["1 | 1 | 1 | probe | 9.2 | 11.5 | 1", "2 | 1 | 1 | probe | 10.1 | 11.5 | 1"]
    );
    assert_eq!(bay.command(["show", "last", "--strict"]).output().unwrap().status.code(), Some(4));
    let shown = bay.bayline(["show", "last"]).done();
    assert!(shown.contains("out of limit") && shown.contains("of session 1"), "{shown}");
    assert!(shown.contains("before the session was cut off"), "{shown}");
    // The meter's accuracy counts for what was seen before, too.
    assert!(kept.number("SELECT u > 0.01 FROM capture WHERE session = 3") == 1);
    let said = bay.bayline(["show", "3", "--strict"]);
    assert!(said.code == Some(4) && said.stdout.contains("seen before the session was cut off"), "{said:?}");
    assert_eq!(bay.bayline(["show", "1", "--strict"]).code, Some(4));
}
