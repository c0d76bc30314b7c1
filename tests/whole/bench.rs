//! Proves that several meters of different protocols are recorded at once, each channel with its unit and scale.

use std::fs;

use serde_json::json;

use crate::harness::{Bay, THREE, of_meter, text};

#[test]
fn three_meters_of_three_protocols_fill_one_session() {
    let bay = Bay::with_bench(THREE);
    let [clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--machine", "loader 7", "--job", "A-113"]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    clamps.lines(["0.0512,0.0250", "-0.0010,OL"]);
    handheld.lines(["12.41 V", "7.49 kohm", "OL ohm"]);
    supply.line("supply=12.45V ground=512mV");
    daemon.until_samples(9);
    daemon.ask(json!({"do": "end"}));

    let kept = bay.kept();
    // Clamps of 100 mV/A and 1 mV per 10 mA: 51.2 mV is 0.512 A, 25 mV is 0.25 A. Common practice, no source.
    assert_eq!(
        kept.rows(
            "SELECT channel.name, quantity, unit, round(value, 9), state, meter FROM sample JOIN channel ON channel = id
             ORDER BY meter, sample.rowid"
        ),
        [
            "lift coil | A DC | A | 0.512 | - | clamps",
            "tilt coil | A DC | A | 0.25 | - | clamps",
            "lift coil | A DC | A | -0.01 | - | clamps",
            "tilt coil | A DC | A | - | 65536 | clamps",
            "probe | V DC | V | 12.41 | - | handheld",
            "probe | ohm | ohm | 7490 | - | handheld",
            "probe | ohm | ohm | - | 65536 | handheld",
            "battery | V DC | V | 12.45 | - | supply",
            "block ground | V DC | V | 0.512 | - | supply",
        ]
    );
    assert_eq!(
        kept.rows("SELECT id, machine, job, procedure_title, ended_how, first_row, last_row FROM session"),
        ["1 | loader 7 | A-113 | - | ended | 1 | 9"]
    );
    // Identity by UUID version 7 (RFC 9562, from memory: the version is the 13th digit), and the bench as it was.
    assert_eq!(kept.rows("SELECT length(uuid), substr(uuid, 15, 1) FROM session"), ["36 | 7"]);
    assert_eq!(kept.rows("SELECT bench_text FROM session"), [fs::read_to_string(bay.path("bench.toml")).unwrap()]);
    // Times count from the session's begin; each meter's own are in order.
    assert_eq!(kept.number("SELECT COUNT(*) FROM sample, session WHERE time_us NOT BETWEEN 0 AND ended_us"), 0);
    assert_eq!(kept.rows("SELECT kind, text FROM event WHERE kind <> 'meter found'"), [""; 0]);
    kept.assert_sound();
}

#[test]
fn status_tells_what_each_channel_shows_and_how_each_port_is() {
    let bay = Bay::with_bench(THREE);
    let [clamps, _handheld] = ["clamps", "handheld"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "handheld"]);
    clamps.lines(["0.05,0.02", "0.06,0.03"]);
    daemon.until_samples(4);
    let status = daemon.until("the supply board missed", |status| {
        of_meter(status, "supply")["why"].as_str().is_some_and(|why| !why.is_empty())
    });
    assert_eq!(of_meter(&status, "clamps")["frames"], 2);
    assert_eq!(
        (&of_meter(&status, "handheld")["open"], &of_meter(&status, "supply")["open"]),
        (&json!(true), &json!(false))
    );
    let shown: Vec<_> =
        status["readings"].as_array().unwrap().iter().map(|line| (&line["channel"], &line["unit"])).collect();
    assert_eq!(shown, [(&json!("lift coil"), &json!("A")), (&json!("tilt coil"), &json!("A"))]);
    assert_eq!(status["process"], daemon.process());

    let said = bay.bayline(["status"]).done();
    for word in ["free-running", "lift coil", "0.6 A", "tilt coil", "0.3 A", "ALARM: meter \"supply\" is not there"] {
        assert!(said.contains(word), "no {word}: {said}");
    }
}

#[test]
fn meters_named_on_the_command_line_bring_their_own_channels() {
    let bay = Bay::new();
    let [probe, board] = ["probe", "board"].map(|name| bay.meter(name));
    let (first, second) = (format!("probe={},number", bay.port("probe").display()), bay.port("board"));
    let mut daemon =
        bay.launch(bay.command(["run", "--meter", &first, "--meter", &format!("board={},json", text(&second))]));
    daemon.until_open(["probe", "board"]);
    probe.line("12.41 V");
    board.lines([r#"{"coil": {"amps": [0.5, 1.25]}, "feed": "12.3 V DC"}"#, r#"{"oil": "48 °C"}"#]);
    daemon.until_samples(5);
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT channel, quantity, value, unit FROM reading ORDER BY channel"),
        [
            "board coil.amps.0 | 1 | 0.5 | 1",
            "board coil.amps.1 | 1 | 1.25 | 1",
            "board feed | V DC | 12.3 | V",
            "board oil | °C | 48 | °C",
            "probe | V DC | 12.41 | V",
        ]
    );
}

#[test]
fn a_header_line_names_the_columns() {
    let bay = Bay::with_bench(
        r#"
[[meter]]
name = "board"
port = "PORTS/board"
protocol = "columns-ms"
[[meter.channel]]
name = "lift feed"
reads = "feed"
quantity = "V DC"
scale = "10:1"
"#,
    );
    let board = bay.meter("board");
    let mut daemon = bay.start();
    daemon.until_open(["board"]);
    // Two scans in one chunk, 40 ms apart by the board's own clock.
    board.bytes(b"t,feed,spare\r\n1000,1.241,7\r\n1040,1.232,7\r\n");
    daemon.until_samples(2);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT channel, round(value, 9) FROM reading ORDER BY row"),
        ["lift feed | 12.41", "lift feed | 12.32"]
    );
    // They came as one chunk or as two: the board's clock puts 40 ms between them, the arrival perhaps more.
    assert!(kept.number("SELECT MAX(time_us) - MIN(time_us) FROM sample") >= 40_000);
}
