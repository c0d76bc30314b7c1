//! Proves that the demo, which is the real daemon on simulated instruments, finds what was planted.

use std::{
    fs,
    io::{BufRead, BufReader},
    process::Stdio,
};

use crate::harness::{Bay, Client, PATIENCE, ProgramOutput, text, until};

#[test]
fn the_demo_ends_well_and_finds_what_was_planted() {
    let bay = Bay::new();
    // It waits for captures and plays a drive: on a busy computer longer than anything else is waited for.
    let said = ProgramOutput::within(bay.command(["demo", "--speed", "15"]), 4 * PATIENCE).done();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT id, ended_how FROM session"), ["1 | ended"]);
    // A terminal that is dead, a tired tilt coil, and a ground that all coils share and that drops too much.
    assert_eq!(
        kept.rows("SELECT name FROM step WHERE verdict = 'out of limit' ORDER BY number"),
        [
            "work light feed",
            "tilt coil ohms",
            "tilt coil held on",
            "shared ground, everything running",
            "tilt lever on the move"
        ]
    );
    assert_eq!(kept.number("SELECT COUNT(*) FROM step WHERE verdict IS NULL OR verdict = 'no reading'"), 0);
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind IN ('bad frame', 'samples lost', 'database')"), 0);

    // Nobody touched the computer: each lead was captured by itself, and lifting it led on.
    assert_eq!(
        kept.rows("SELECT how, count(*) FROM capture GROUP BY how ORDER BY how"),
        ["proven | 1", "steady | 11", "worst | 4"]
    );
    // Crossed leads were swapped, and the dead terminal was proven by the leads.
    assert!(said.contains("?? Leads crossed, swap them.") && said.contains(">> Dead, proven both sides."), "{said}");
    assert_eq!(kept.number("SELECT count(*) FROM capture WHERE value < 0 OR proof LIKE 'proven: dead terminal%'"), 1);
    assert!(said.contains(">> switch handheld from V DC to ohm"), "{said}");
    // The sheet that it leaves is where it says.
    let sheet = said.lines().find_map(|line| line.strip_prefix("sheet:    ")).expect("it says where the sheet is");
    let sheet = fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains("tilt coil") && sheet.contains("out of limit"), "{sheet}");

    // The drive: the lever's second release came late, and a pin was loose for one sample; each is said as it happens, and is in the
    // ledger and on the sheet.
    assert_eq!(
        kept.rows("SELECT rule, verdict, delay_s BETWEEN 0.3 AND 1 FROM response WHERE verdict = 'out of limit'"),
        ["tilt lever going down: tilt coil | out of limit | 1"]
    );
    assert_eq!(kept.number("SELECT count(*) FROM response"), 4);
    assert_eq!(kept.rows("SELECT channel, samples FROM dropout"), ["lift coil | 1"]);
    assert!(kept.number("SELECT count(*) FROM reading WHERE channel = 'road speed' AND value > 5") > 0);
    for words in [">> tilt coil fell from ", ">> lift coil dropped out for ", "tilt lever going down: tilt coil"] {
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(sheet.contains("after tilt lever going down") && sheet.contains("lift coil dropped out"), "{sheet}");

    // It says where everything is, and everything is there.
    for path in [bay.database(), bay.data().join("export/samples.csv")] {
        let path = path.canonicalize().unwrap();
        assert!(said.contains(text(&path)), "no {}: {said}", path.display());
    }
    assert!(said.contains("Cautions") && said.contains("tilt coil ohms"), "{said}");
    let rows = fs::read_to_string(bay.data().join("export/samples.csv")).unwrap().lines().count() as i64 - 1;
    assert_eq!(rows, kept.number("SELECT COUNT(*) FROM sample"));
    assert!(rows > 100, "{rows}");
    assert_eq!(bay.bayline(["show", "--strict"]).code, Some(4));
}

/// Seen: a demo that was killed left its daemon running, with its ports gone.
#[test]
fn a_demo_that_is_killed_takes_its_daemon_along() {
    let bay = Bay::new();
    let mut demo = bay.command(["demo"]).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut lines = BufReader::new(demo.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().starts_with("zeroing the clamps")), "it did not begin");
    // A client that stays connected learns of the daemon's end by the end of its line.
    let mut watcher = Client::connect(&bay.socket()).watch();
    demo.kill().unwrap();
    demo.wait().unwrap();
    until("the end of the daemon", || watcher.next().map_or(Ok(()), Err));
    bay.kept().until("SELECT ended_how FROM session", &["stopped"]);
    // The folder is free for the next one.
    until("a folder that is free", || std::os::unix::net::UnixStream::connect(bay.socket()).err().ok_or("it answers"));
}
