//! Proves that the demo, which is the real daemon on simulated instruments, finds what was planted.

use std::fs;

use crate::harness::{Bay, text};

#[test]
fn the_demo_ends_well_and_finds_what_was_planted() {
    let bay = Bay::new();
    let said = bay.bayline(["demo", "--speed", "15"]).done();
    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(kept.rows("SELECT id, ended_how FROM session"), ["1 | ended"]);
    // A terminal that is dead, a tired tilt coil, and a ground that all coils share and that drops too much.
    assert_eq!(
        kept.rows("SELECT name FROM step WHERE verdict = 'out of limit' ORDER BY number"),
        ["work light feed", "tilt coil ohms", "tilt coil held on", "shared ground, everything running"]
    );
    assert_eq!(kept.number("SELECT COUNT(*) FROM step WHERE verdict IS NULL OR verdict = 'no reading'"), 0);
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind IN ('bad frame', 'samples lost', 'database')"), 0);

    // Nobody touched the computer: each lead was captured by itself, and lifting it led on.
    assert_eq!(
        kept.rows("SELECT how, count(*) FROM capture GROUP BY how ORDER BY how"),
        ["proven | 1", "steady | 11", "worst | 3"]
    );
    // Crossed leads were swapped, and the dead terminal was proven by the leads.
    assert!(said.contains("?? Leads crossed, swap them.") && said.contains(">> Dead, proven both sides."), "{said}");
    assert_eq!(kept.number("SELECT count(*) FROM capture WHERE value < 0 OR proof LIKE 'proven: dead terminal%'"), 1);
    assert!(said.contains(">> switch handheld from V DC to ohm"), "{said}");
    // The sheet that it leaves is where it says.
    let sheet = said.lines().find_map(|line| line.strip_prefix("sheet:    ")).expect("it says where the sheet is");
    let sheet = fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains("tilt coil") && sheet.contains("out of limit"), "{sheet}");

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
