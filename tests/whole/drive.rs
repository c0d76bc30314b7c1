//! Proves that a drive tells by itself what happened: broken limits, drop-outs, and what must follow what.

use std::{thread, time::Duration};

use serde_json::json;

use crate::harness::{Bay, Meter, THREE, text};

const DRIVE: &str = r#"
title = "Yard drive"
[[step]]
name = "moves"
when = [{ change = "lift coil", going = "down", channel = "tilt coil", to = "at most 0.1 A", within = "300 ms" }]
[[step]]
name = "drive"
channel = "lift coil"
quantity = "A DC"
between = "1.2 A to 1.8 A"
capture = "worst"
[[step]]
name = "wiggle"
channel = "lift coil"
quantity = "A DC"
capture = "wiggle"
"#;

/// So many lines of a board that sends a hundred a second.
fn sends(board: &Meter, line: &str, count: usize) {
    for _ in 0..count {
        board.line(line);
        thread::sleep(Duration::from_millis(10));
    }
}

/// Lift coil 1.62 A, tilt coil 1.0 A, and both without current.
const BOTH: &str = "0.162,0.010";
const TILT: &str = "0.000,0.010";
const NONE: &str = "0.000,0.000";

fn drive(late_lines: usize, verdict: &str) {
    let bay = Bay::with_bench(&THREE.replace("1 mV per 10 mA", "10 mV/A"));
    let procedure = bay.write("drive.toml", DRIVE);
    let clamps = bay.meter("clamps");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["clamps"]);
    let mut news = bay.client().watch();
    for _ in 0..2 {
        sends(&clamps, BOTH, 40);
        sends(&clamps, TILT, late_lines);
        sends(&clamps, NONE, 60);
    }
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], verdict, "{answer}");
    let response = news.heard("a response", |news| news["news"] == "response");
    assert_eq!((&response["channel"], &response["verdict"]), (&json!("tilt coil"), &json!(verdict)));

    // A limit that breaks is said as it breaks, and as it is kept again.
    sends(&clamps, BOTH, 20);
    sends(&clamps, "0.080,0.010", 20);
    assert!(news.said("lift coil out of limit").contains("1.2 A to 1.8 A wanted"));
    sends(&clamps, BOTH, 20);
    assert!(news.said("lift coil in limit again").contains(", worst 0.8"));
    // One sample of both is missing.
    clamps.line(NONE);
    sends(&clamps, BOTH, 60);
    let together = news.heard("a drop-out", |news| news["news"] == "drop-out");
    assert_eq!(together["channels"], json!(["lift coil", "tilt coil"]));
    let answer = daemon.step("next");
    let reason = answer["judged"]["reason"].as_str().unwrap();
    assert!(reason.contains("1 drop-out: lift coil and tilt coil together"), "{reason}");

    sends(&clamps, BOTH, 30);
    clamps.line("0.001,0.010");
    sends(&clamps, BOTH, 5);
    assert_eq!(news.heard("a tick", |news| news["news"] == "tick")["channel"], "lift coil");
    daemon.ask(json!({"do": "end"}));
    daemon.stop();

    let kept = bay.kept();
    kept.assert_sound();
    assert_eq!(
        kept.rows("SELECT rule, verdict, delay_s > 0.2 FROM response"),
        vec![format!("lift coil going down: tilt coil | {verdict} | {}", i32::from(late_lines > 0)); 2]
    );
    assert!(kept.number("SELECT COUNT(*) FROM change WHERE channel = 'lift coil' AND step = 1") >= 3);
    assert_eq!(kept.number("SELECT COUNT(*) FROM dropout WHERE step = 2"), 2);
    assert_eq!(kept.rows("SELECT verdict FROM step WHERE number > 1"), ["out of limit", "out of limit"]);
    let shown = bay.bayline(["show", "last"]).done();
    for words in ["lift coil going down: tilt coil", "upstream of all of these", "its own wires and connector"] {
        assert!(shown.contains(words), "{words}: {shown}");
    }
    let sheet = bay.path("sheet.html");
    bay.bayline(["report", "last", "-o", text(&sheet)]).done();
    assert!(std::fs::read_to_string(sheet).unwrap().contains("lift coil, tilt coil dropped out"));
    // The same core finds the same in what is stored.
    bay.bayline(["judge", "last", "--check"]).done();
}

#[test]
fn a_good_machine_responds_in_time() {
    drive(0, "in limit");
}

#[test]
fn a_late_current_is_found() {
    drive(60, "out of limit");
}

/// A driver that switches five times a second, seen at a hundred lines a second.
#[test]
fn a_step_is_judged_on_the_duty_of_its_signal_where_the_board_is_fast_enough() {
    let bay = Bay::with_bench(&THREE.replace("1 mV per 10 mA", "10 mV/A"));
    let step = |name: &str, highest: &str, limit: &str| {
        format!(
            "[[step]]\nname = \"{name}\"\nchannel = \"lift coil\"\nquantity = \"A DC\"\nshape = \"duty\"\n\
             highest_frequency = \"{highest}\"\nbetween = \"{limit}\"\n"
        )
    };
    let text_of = [
        "title = \"duty\"\n".to_owned(),
        step("slow driver", "5 Hz", "40 % to 60 %"),
        step("wrong duty", "5 Hz", "70 % to 90 %"),
        step("fast driver", "400 Hz", "40 % to 60 %"),
    ];
    let procedure = bay.write("duty.toml", &text_of.concat());
    let clamps = bay.meter("clamps");
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["clamps"]);
    let switches = |times: usize| {
        for _ in 0..times {
            sends(&clamps, BOTH, 10);
            sends(&clamps, TILT, 10);
        }
    };
    switches(14);
    let status = daemon.ask(json!({"do": "status"}));
    let shape = status["status"]["shape"].as_str().unwrap_or_default();
    assert!(shape.starts_with("duty ") && shape.ends_with("40 % to 60 % wanted"), "{status}");
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], "in limit", "{answer}");
    switches(14);
    assert_eq!(daemon.step("next")["judged"]["verdict"], "out of limit");
    switches(3);
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], "no reading", "{answer}");
    let reason = answer["judged"]["reason"].as_str().unwrap();
    assert!(reason.contains("the duty of what may repeat at 400 Hz needs 4,000"), "{reason}");
    daemon.ask(json!({"do": "end"}));
    let session: serde_json::Value = serde_json::from_str(&bay.bayline(["show", "last", "--json"]).done()).unwrap();
    let lift = session["waveforms"].as_array().unwrap().iter().find(|row| row["channel"] == "lift coil").unwrap();
    assert_eq!(lift["shape"], "switched", "{lift}");
    assert!((lift["duty"].as_f64().unwrap() - 50.0).abs() < 5.0, "{lift}");
    assert_eq!(lift["unit"], "A");
    let shown = bay.bayline(["show", "last"]).done();
    assert!(shown.contains("shape of") && shown.contains("switched"), "{shown}");
}
