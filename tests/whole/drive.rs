//! Proves that a drive tells by itself what happened: broken limits, drop-outs, and what must follow what.

use serde_json::json;

use crate::harness::{Bay, Board, THREE, text};

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

/// A bay whose clamp board sends its own time.
fn with_board() -> (Bay, Board) {
    let bench = THREE.replace("1 mV per 10 mA", "10 mV/A").replace("\"columns\"", "\"columns-ms\"");
    let bay = Bay::with_bench(&bench);
    let board = Board::of(bay.meter("clamps"), 2);
    (bay, board)
}

/// Lift coil 1.62 A, tilt coil 1.0 A, and both without current.
const BOTH: &str = "0.162,0.010";
const TILT: &str = "0.000,0.010";
const NONE: &str = "0.000,0.000";

fn drive(late_lines: usize, verdict: &str) {
    let (bay, clamps) = with_board();
    let procedure = bay.write("drive.toml", DRIVE);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["clamps"]);
    let mut news = bay.client().watch();
    for _ in 0..2 {
        clamps.sends(BOTH, 40);
        clamps.sends(TILT, late_lines);
        clamps.sends(NONE, 60);
    }
    clamps.until_read(&mut daemon);
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], verdict, "{answer}");
    let response = news.heard("a response", |news| news["news"] == "response");
    assert_eq!((&response["channel"], &response["verdict"]), (&json!("tilt coil"), &json!(verdict)));

    // A limit that breaks is said as it breaks, and as it is kept again.
    clamps.sends(BOTH, 20);
    // Longer than a drop-out lasts.
    clamps.sends("0.080,0.010", 30);
    assert!(news.said("lift coil out of limit").contains("1.2 A to 1.8 A wanted"));
    clamps.sends(BOTH, 20);
    assert!(news.said("lift coil in limit again").contains(", worst 0.8"));
    // One sample of both is missing.
    clamps.sends(NONE, 1);
    clamps.sends(BOTH, 60);
    let together = news.heard("a drop-out", |news| news["news"] == "drop-out");
    assert_eq!(together["channels"], json!(["lift coil", "tilt coil"]));
    clamps.until_read(&mut daemon);
    let answer = daemon.step("next");
    let reason = answer["judged"]["reason"].as_str().unwrap();
    assert!(reason.contains("1 drop-out: lift coil and tilt coil together"), "{reason}");

    clamps.sends(BOTH, 30);
    clamps.sends("0.001,0.010", 1);
    clamps.sends(BOTH, 5);
    assert_eq!(news.heard("a tick", |news| news["news"] == "tick")["channel"], "lift coil");
    clamps.until_read(&mut daemon);
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
    bay.bayline(["report", "last", "--full", "-o", text(&sheet)]).done();
    let sheet = std::fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains("lift coil, tilt coil dropped out") && sheet.contains("5 s before and after it"), "{sheet}");
    // All samples around the time out of limit are written, and nothing else.
    let around = ["export", "last", "--excursion", "1", "--margin", "100 ms"];
    let rows = bay.bayline(around).done().lines().count() as i64 - 1;
    let expected = "SELECT COUNT(*) FROM sample, (SELECT * FROM excursion ORDER BY step, number LIMIT 1)
                    WHERE time_us BETWEEN began_us - 100000 AND ended_us + 100000";
    assert_eq!(rows, kept.number(expected));
    assert!((80..200).contains(&rows), "{rows}");
    assert!(
        bay.bayline(["export", "last", "--excursion", "9"])
            .failed(2)
            .contains("has no excursion 9: a limit broke 2 times")
    );
    assert!(shown.contains("`bayline export 1 --excursion NUMBER`"), "{shown}");
    let first_second = bay.bayline(["export", "last", "--from", "0 s", "--to", "1 s"]).done();
    assert_eq!(
        first_second.lines().count() as i64 - 1,
        kept.number("SELECT COUNT(*) FROM sample WHERE time_us BETWEEN 0 AND 1000000")
    );
    assert!(bay.bayline(["export", "last", "--from", "2 s", "--to", "1 s"]).failed(2).contains("exchange them"));
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
    let (bay, clamps) = with_board();
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
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    daemon.until_open(["clamps"]);
    let switches = |times: usize| {
        for _ in 0..times {
            clamps.sends(BOTH, 10);
            clamps.sends(TILT, 10);
        }
    };
    switches(14);
    clamps.until_read(&mut daemon);
    let status = daemon.ask(json!({"do": "status"}));
    let shape = status["status"]["shape"].as_str().unwrap_or_default();
    assert!(shape.starts_with("duty ") && shape.ends_with("40 % to 60 % wanted"), "{status}");
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], "in limit", "{answer}");
    switches(14);
    clamps.until_read(&mut daemon);
    assert_eq!(daemon.step("next")["judged"]["verdict"], "out of limit");
    switches(3);
    clamps.until_read(&mut daemon);
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
