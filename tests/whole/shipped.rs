//! Proves a procedure that ships as a technician works through it: a feed whose relay is burnt, piece by piece, with the load on.

use std::{fs, path::Path};

use serde_json::Value;

use crate::harness::{Bay, Display, text};

/// A file under `contrib`.
fn contrib(name: &str) -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("contrib").join(name)).unwrap()
}

#[test]
fn a_feed_is_worked_through_piece_by_piece_and_the_pieces_add_up() {
    let bench = contrib("benches/valve-block.toml")
        .replace("/dev/serial/by-id/usb-handheld-meter", "PORTS/handheld")
        .replace("/dev/serial/by-id/usb-clamp-board", "PORTS/board");
    let bay = Bay::with_bench(&bench);
    let procedure = bay.write("feed.toml", &contrib("procedures/feed-drop-under-load.toml"));
    bay.bayline(["check", "--bench", "bench.toml", "--procedure", "feed.toml"]).done();
    let probe = Display::of(bay.meter("handheld"), "0.5 mV");
    // Five amps in the supply clamp of 10 mV/A, and a tenth of 12.5 V.
    let _board = Display::of(bay.meter("board"), "0.0, 0.05, 1.25, 0.0");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["handheld", "board"]);
    for (line, millivolts) in [
        ("0.5 mV", 0.5),
        ("840.0 mV", 840.0),
        ("4.0 mV", 4.0),
        ("80.0 mV", 80.0),
        ("30.0 mV", 30.0),
        ("690.0 mV", 690.0),
        ("36.0 mV", 36.0),
        ("841.0 mV", 841.0),
        ("40.0 mV", 40.0),
    ] {
        probe.shows(line);
        let counts = |one: &Value| {
            one["channel"] == "probe"
                && one["value"].as_f64().is_some_and(|value| (value * 1e3 - millivolts).abs() < 1e-6)
                && one["verdict"].as_str().is_some_and(|verdict| verdict.ends_with("limit"))
        };
        daemon.until(line, |status| status["readings"].as_array().unwrap().iter().any(counts));
        daemon.take();
        daemon.step("next");
    }
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT name, verdict FROM step ORDER BY number"),
        [
            "leads together | in limit",
            "whole feed | out of limit",
            "battery post to its clamp | in limit",
            "battery to fuse box | in limit",
            "across the fuse | in limit",
            "across relay or switch | out of limit",
            "fuse box to load | in limit",
            "whole feed, again | in limit",
            "load's ground | in limit",
        ]
    );
    let sum =
        bay.kept().rows("SELECT round(limit_low, 3), round(limit_high, 3) FROM step WHERE name = 'whole feed, again'");
    assert_eq!(sum, ["0.82 | 0.86"], "4 + 80 + 30 + 690 + 36 mV, 20 mV either way");
}
