//! Proves that a port that is missing, goes away or comes back never stops the recording.

use std::{
    fs::OpenOptions,
    io::{ErrorKind, Write},
    net::{TcpListener, TcpStream},
    os::unix::fs::OpenOptionsExt,
};

use nix::{fcntl::OFlag, sys::stat::Mode, unistd::mkfifo};

use crate::harness::{Bay, HANDHELD, THREE, of_meter, text, until};

const METER_EVENTS: &str = "SELECT kind, subject FROM event WHERE kind LIKE 'meter%' ORDER BY id";

#[test]
fn a_meter_unplugged_and_plugged_in_again_is_recorded_on() {
    let bay = Bay::with_bench(THREE);
    let [clamps, mut handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "handheld", "supply"]);
    daemon.step("the drive");
    handheld.line("12.1 V");
    daemon.until_samples(1);

    handheld.unplug();
    let status = daemon.until("the loss", |status| of_meter(status, "handheld")["open"] == false);
    let alarm = status["alarms"][0].as_str().unwrap();
    assert!(alarm.starts_with("meter \"handheld\" is not there: it was unplugged or switched off"), "{alarm}");
    // What it showed last is no longer now.
    assert_eq!(status["readings"].as_array().unwrap().len(), 0);
    clamps.line("0.05,0.02");
    supply.line("supply=12.4,ground=0.01");
    daemon.until_samples(5);

    handheld.plug_in();
    daemon.until_open(["handheld"]);
    handheld.line("12.2 V");
    let status = daemon.until("the sample after", |status| status["session"]["samples"] == 6);
    assert_eq!(status["alarms"].as_array().unwrap().len(), 0);
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT kind FROM event WHERE subject = 'handheld' ORDER BY id"),
        ["meter found", "meter lost", "meter found"]
    );
    assert_eq!(kept.rows("SELECT DISTINCT subject FROM event WHERE kind = 'meter lost'"), ["handheld"]);
    assert_eq!(
        kept.rows("SELECT value, step_name FROM reading WHERE channel = 'probe' ORDER BY row"),
        ["12.1 | the drive", "12.2 | the drive"]
    );
    assert_eq!(kept.number("SELECT COUNT(*) FROM reading WHERE step_name = 'the drive'"), 6);
    kept.assert_sound();
}

/// Seen by a technician: a meter plugged in again within 0.8 s stayed held by another program.
#[test]
fn a_meter_that_is_plugged_in_again_at_once_is_open_again() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for (count, pause_ms) in (1..).zip([0, 20, 60, 120, 250, 400, 600, 800]) {
        handheld.unplug();
        std::thread::sleep(std::time::Duration::from_millis(pause_ms));
        handheld.plug_in();
        // What is written before the port is open again stays in it.
        handheld.line("12.1 V");
        let status = daemon.until("the sample after", |status| {
            status["session"]["samples"] == count && of_meter(status, "handheld")["open"] == true
        });
        assert_eq!(status["alarms"].as_array().unwrap().len(), 0, "{pause_ms} ms: {status}");
    }
    daemon.stop();
    let held = "SELECT COUNT(*) FROM event WHERE text LIKE '%has it open%' OR text LIKE '%busy%'";
    assert_eq!(bay.kept().number(held), 0);
}

#[test]
fn a_step_is_not_judged_across_a_loss() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = "title = \"x\"\n[[step]]\nname = \"feed\"\nchannel = \"probe\"\nat_least = \"11.8 V\"\n";
    let procedure = bay.write("p.toml", procedure);
    let mut handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", procedure.to_str().unwrap()]);
    daemon.until_open(["handheld"]);
    handheld.line("12.1 V");
    daemon.until_samples(1);
    handheld.unplug();
    daemon.until("the loss", |status| of_meter(status, "handheld")["open"] == false);
    let answer = daemon.step("next");
    assert_eq!(answer["judged"]["verdict"], "no reading", "{answer}");
}

#[test]
fn half_a_line_before_a_loss_and_half_a_line_after_make_no_reading() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    // The whole line tells that the half one behind it has been read as well.
    handheld.bytes(b"12.1 V\r\n1");
    daemon.until_samples(1);
    handheld.unplug();
    daemon.until("the loss", |status| of_meter(status, "handheld")["open"] == false);
    handheld.plug_in();
    daemon.until_open(["handheld"]);
    handheld.bytes(b"2.2 V\r\n");
    daemon.until_samples(2);
    daemon.stop();
    let kept = bay.kept();
    // Glued together they would be 12.2 V.
    assert_eq!(kept.rows("SELECT value FROM sample ORDER BY rowid"), ["12.1", "2.2"]);
    assert_eq!(
        kept.rows("SELECT subject, text FROM event WHERE kind = 'bad frame'"),
        ["handheld | the port went away in the middle of this: 1"]
    );
}

#[test]
fn a_port_that_is_missing_at_the_start_is_found_when_it_comes() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.absent_meter("handheld");
    let mut daemon = bay.start();
    let status = daemon.until("an alarm", |status| !status["alarms"].as_array().unwrap().is_empty());
    let alarm = status["alarms"][0].as_str().unwrap();
    assert!(alarm.contains("handheld") && alarm.contains("there is no such file or device"), "{alarm}");
    // The session that is begun now is told as well.
    daemon.ask(serde_json::json!({"do": "begin"}));
    handheld.plug_in();
    daemon.until_open(["handheld"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT session, kind, subject FROM event ORDER BY id"),
        ["1 | meter lost | handheld", "2 | meter lost | handheld", "2 | meter found | handheld"]
    );
    assert_eq!(kept.rows("SELECT session, value FROM reading"), ["2 | 12.41"]);
}

#[test]
fn a_file_that_is_no_serial_port_is_reported_and_tried_again() {
    let bay = Bay::with_bench(HANDHELD);
    std::fs::write(bay.port("handheld"), "12.41 V\n").unwrap();
    let mut daemon = bay.start();
    daemon.until("an alarm", |status| status["alarms"][0].as_str().is_some_and(|alarm| alarm.contains("handheld")));
    std::fs::remove_file(bay.port("handheld")).unwrap();
    let handheld = bay.meter("handheld");
    daemon.until_open(["handheld"]);
    handheld.line("12.2 V");
    daemon.until_samples(1);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT value FROM sample"), ["12.2"]);
}

/// The daemon's connection to a serial server that the test plays.
fn accept(server: &TcpListener) -> TcpStream {
    server.set_nonblocking(true).unwrap();
    until("the daemon's connection", || match server.accept() {
        Ok((stream, _)) => Ok(stream),
        Err(error) if error.kind() == ErrorKind::WouldBlock => Err("nobody connects"),
        Err(error) => panic!("{error}"),
    })
}

#[test]
fn a_serial_server_that_hangs_up_is_connected_again() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = server.local_addr().unwrap().port();
    let bay = Bay::with_bench(&HANDHELD.replace("PORTS/handheld", &format!("tcp://127.0.0.1:{port}")));
    let mut daemon = bay.start();
    let mut line = accept(&server);
    line.write_all(b"12.1 V\n").unwrap();
    daemon.until_samples(1);
    drop(line);
    let mut line = accept(&server);
    line.write_all(b"12.2 V\n").unwrap();
    daemon.until_samples(2);

    // The server itself goes away and comes back on the same port.
    drop((server, line));
    daemon.until("the loss", |status| of_meter(status, "handheld")["open"] == false);
    let server = until("the port free again", || TcpListener::bind(("127.0.0.1", port)));
    let mut line = accept(&server);
    line.write_all(b"12.3 V\n").unwrap();
    daemon.until_samples(3);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(kept.rows("SELECT value FROM sample ORDER BY rowid"), ["12.1", "12.2", "12.3"]);
    assert_eq!(
        kept.rows(METER_EVENTS),
        [
            "meter found | handheld",
            "meter lost | handheld",
            "meter found | handheld",
            "meter lost | handheld",
            "meter found | handheld",
        ]
    );
}

#[test]
fn a_program_that_ends_is_started_again() {
    let bay = Bay::new();
    // It prints what is written into the pipe, and ends when whoever writes hangs up.
    let pipe = bay.path("pipe");
    mkfifo(&pipe, Mode::S_IRWXU).unwrap();
    bay.write("bench.toml", &HANDHELD.replace("PORTS/handheld", &format!("exec:cat {}", text(&pipe))));
    let reader = || {
        let mut options = OpenOptions::new();
        options.write(true).custom_flags(OFlag::O_NONBLOCK.bits());
        until("somebody who reads the pipe", || options.open(&pipe))
    };
    let mut daemon = bay.start();
    let mut program = reader();
    program.write_all(b"12.1 V\n").unwrap();
    daemon.until_samples(1);
    drop(program);
    // It is away for a moment only: the event stays.
    bay.kept().until("SELECT text FROM event WHERE kind = 'meter lost'", &["\"cat\" ended (exit status: 0)"]);
    let mut program = reader();
    program.write_all(b"12.2 V\n").unwrap();
    daemon.until_samples(2);
    daemon.until_open(["handheld"]);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(kept.rows("SELECT value FROM sample ORDER BY rowid"), ["12.1", "12.2"]);
    assert_eq!(
        kept.rows("SELECT kind, text FROM event WHERE subject = 'handheld' ORDER BY id"),
        [
            "meter found | its port is open",
            "meter lost | \"cat\" ended (exit status: 0)",
            "meter found | its port is open now",
        ]
    );
}

/// A board that was restarted counts from zero again: its samples go on, and the restart is told.
#[test]
fn a_board_whose_clock_begins_anew_was_restarted() {
    let bay = Bay::with_bench("[[meter]]\nname = \"board\"\nport = \"PORTS/board\"\nprotocol = \"columns-ms\"\n");
    let board = bay.meter("board");
    let mut daemon = bay.start();
    daemon.until_open(["board"]);
    for count in 0..20 {
        board.line(&format!("{},0.512", 100_000 + 100 * count));
        daemon.until_samples(count + 1);
    }
    for count in 0..5 {
        board.line(&format!("{},0.512", 100 * count));
        daemon.until_samples(count + 21);
    }
    daemon.note("restarted");
    daemon.stop();
    let events = bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'board restarted'");
    assert_eq!(events, ["board | its clock began anew: the board was restarted, or its clock was set"]);
}

/// Seen: a port that was unplugged and then held by another program kept its first reason.
#[test]
fn an_alarm_tells_why_a_port_is_missing_now() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.unplug();
    let alarm_is = |words: &'static str| {
        move |status: &serde_json::Value| status["alarms"][0].as_str().is_some_and(|alarm| alarm.contains(words))
    };
    daemon.until("the loss", alarm_is("it was unplugged or switched off"));
    // Something else has its name now.
    std::fs::create_dir(bay.port("handheld")).unwrap();
    daemon.until("another reason", alarm_is("it is a folder"));
    std::fs::remove_dir(bay.port("handheld")).unwrap();
    daemon.until("the first reason", alarm_is("it was unplugged or switched off"));
    handheld.plug_in();
    daemon.until_open(["handheld"]);
    daemon.stop();
    assert_eq!(bay.kept().rows(METER_EVENTS).len(), 3, "found, lost, found");
}
