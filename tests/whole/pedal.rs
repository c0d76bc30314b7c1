//! Proves that buttons and foot switches on a meter's own line move steps and capture, by a protocol of
//! the operator's own.

use std::fs;

use crate::harness::{Bay, Daemon, Meter, of_meter, text};

/// One number a line, and words for what is pressed.
const PEDAL: &str = r#"
name = "bench-pedal"
about = "A board with a probe, two buttons and a foot switch"
source = "made up for this test"

[frame]
kind = "line"

[decode]
kind = "pattern"

[[decode.message]]
pattern = '^V (?<value>[-+0-9.]+)$'
value = [{ unit = "V DC" }]

[[decode.message]]
pattern = '^PEDAL DOWN$'
action = "take"

[[action]]
text = "FORWARD"
does = "next"

[[action]]
text = "OTHER BUTTON"
does = "no"

[[action]]
text = "ONCE MORE"
does = "again"

[[action]]
text = "LONG PRESS"
does = "mark"

[[example]]
text = "V 12.41"
gives = ["value = 12.41 V DC, digit 0.01"]

[[example]]
text = "PEDAL DOWN"
gives = ["> take"]

[[example]]
text = "FORWARD"
gives = ["> next"]

[[example]]
text = "PEDAL UP"
refused = "expected a message that the protocol knows"
"#;

const BENCH: &str = r#"
[[meter]]
name = "board"
port = "PORTS/board"
protocol = "bench-pedal"
[[meter.channel]]
name = "probe"
"#;

const PROCEDURE: &str = r#"
title = "Two feeds"
[[step]]
name = "feed, lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "feed, tilt coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
"#;

/// A bay whose board speaks the protocol above, with the daemon started.
fn with_pedal(options: &[&str]) -> (Bay, Meter, Daemon) {
    let bay = Bay::with_bench(BENCH);
    fs::create_dir(bay.path("protocols")).unwrap();
    let protocol = bay.write("protocols/bench-pedal.toml", PEDAL);
    bay.bayline(["protocols", "check", text(&protocol)]).done();
    bay.write("p.toml", PROCEDURE);
    let board = bay.meter("board");
    let folder = bay.path("protocols");
    let mut daemon = bay.start_with(&[&["--protocols", text(&folder)], options].concat());
    daemon.until_open(["board"]);
    (bay, board, daemon)
}

#[test]
fn a_foot_switch_captures_and_moves_without_a_hand() {
    let (bay, board, mut daemon) = with_pedal(&["--procedure", "p.toml"]);
    board.lines(["V 12.41", "PEDAL DOWN", "LONG PRESS", "FORWARD"]);
    daemon.until("the second step", |status| status["step"]["name"] == "feed, tilt coil");
    board.lines(["V 9.02", "PEDAL DOWN", "ONCE MORE"]);
    daemon.until("the second attempt", |status| status["step"]["attempt"] == 2);
    board.lines(["V 12.38", "PEDAL DOWN"]);
    daemon.until("the last press", |status| of_meter(status, "board")["frames"] == 9);
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT step, how, value, verdict FROM capture ORDER BY id"),
        ["1 | taken | 12.41 | in limit", "2 | taken | 9.02 | out of limit", "3 | taken | 12.38 | in limit"]
    );
    assert_eq!(
        kept.rows("SELECT number, name, attempt, left_how FROM step ORDER BY id"),
        [
            "1 | feed, lift coil | 1 | done",
            "2 | feed, tilt coil | 1 | again",
            "3 | feed, tilt coil | 2 | session ended"
        ]
    );
    assert_eq!(kept.rows("SELECT subject, text FROM event WHERE kind = 'mark'"), ["board | button on board"]);
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'bad frame'"), 0);
}

#[test]
fn a_question_is_answered_by_foot() {
    let (bay, board, mut daemon) = with_pedal(&[]);
    let question = "title = \"Pins\"\nadvance = \"lifted\"\n[[step]]\nname = \"drag of the pin\"\nanswer = \"yes\"\n\
                    [[step]]\nname = \"green crust\"\nanswer = \"no\"\n[[step]]\nname = \"last\"\n";
    daemon.ask(serde_json::json!({"do": "begin", "procedure": {"file": "pins.toml", "text": question}}));
    // The next question is asked at once, and what is good is not always yes.
    board.lines(["PEDAL DOWN", "OTHER BUTTON"]);
    daemon.until("the last step", |status| status["step"]["name"] == "last");
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT step, answer, verdict FROM capture ORDER BY id"),
        ["1 | yes | in limit", "2 | no | in limit"]
    );
    let asked = bay.kept().rows("SELECT text FROM event WHERE kind = 'announced' AND text LIKE '%yes or no?'");
    assert_eq!(asked, ["drag of the pin: yes or no?", "green crust: yes or no?"]);
}

#[test]
fn a_press_stands_between_the_readings_before_and_after_it() {
    let (bay, board, mut daemon) = with_pedal(&[]);
    // One write, which the daemon reads as one chunk.
    board.bytes(b"V 12.41\r\nPEDAL DOWN\r\nV 9.02\r\nFORWARD\r\nV 9.03\r\n");
    daemon.until_samples(3);
    daemon.stop();
    let kept = bay.kept();
    // What is taken without a step makes one.
    assert_eq!(kept.rows("SELECT step, value FROM capture"), ["1 | 12.41"]);
    assert_eq!(kept.rows("SELECT step, value FROM reading ORDER BY row"), ["- | 12.41", "1 | 9.02", "2 | 9.03"]);
}

#[test]
fn a_press_that_does_nothing_is_reported_and_kept() {
    let (bay, board, mut daemon) = with_pedal(&[]);
    board.lines(["PEDAL DOWN", "V 12.41"]);
    daemon.until_samples(1);
    daemon.stop();
    let reported = bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'announced'");
    assert_eq!(reported.len(), 1, "{reported:?}");
    assert!(reported[0].starts_with("board | the button did nothing: "), "{reported:?}");
}
