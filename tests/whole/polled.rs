//! Proves that meters that speak only when asked are asked, understood, and left alone by `identify`.

use std::fs;

use scpi::error::ErrorCode;
use serde_json::{Value, json};

use crate::{
    harness::{Bay, of_meter, text},
    instrument::{Instrument, Shows},
};

/// A bench multimeter that tells by its answers what it is switched to.
const BENCH: &str = r#"
[[meter]]
name = "multimeter"
port = "PORTS/multimeter"
protocol = "scpi"
[[meter.channel]]
name = "probe"
"#;

/// What the status shows at the probe: value and what is measured.
fn shown(status: &Value) -> String {
    let line = &status["readings"][0];
    format!("{} {}", line["value"], line["quantity"])
}

/// A folder with the shipped protocol, but for asking the queue of errors in every second round.
fn asks_often_for_errors(bay: &Bay) -> String {
    let often = include_str!("../../protocols/scpi.toml").replace("rounds = 50", "rounds = 2");
    fs::create_dir(bay.path("protocols")).unwrap();
    bay.write("protocols/scpi.toml", &often);
    text(&bay.path("protocols")).to_owned()
}

#[test]
fn a_multimeter_is_asked_for_function_and_value() {
    let bay = Bay::with_bench(BENCH);
    let multimeter = Instrument::new(bay.meter("multimeter"), Shows("VOLT", 12.41));
    let mut daemon = bay.start();
    daemon.until("volts", |status| shown(status) == "12.41 \"V DC\"");
    multimeter.turn(Shows("RES", 7.49));
    daemon.until("ohms", |status| shown(status) == "7.49 \"ohm\"");
    multimeter.turn(Shows("RES", f64::INFINITY));
    daemon.until("an open lead", |status| shown(status).contains("over"));
    multimeter.turn(Shows("CURR:AC", -0.005));
    daemon.until("amps", |status| shown(status) == "-0.005 \"A AC\"");
    multimeter.turn(Shows("CURR:AC", f64::NAN));
    daemon.until("no number", |status| of_meter(status, "multimeter")["refused"].as_u64() >= Some(6));
    daemon.stop();

    let kept = bay.kept();
    // Each in its own unit from the first reading on, and nothing of what was no number.
    assert_eq!(
        kept.rows("SELECT quantity, value, unit FROM reading GROUP BY quantity, value ORDER BY MIN(row)"),
        ["V DC | 12.41 | V", "ohm | 7.49 | ohm", "ohm | - | ohm", "A AC | -0.005 | A"]
    );
    // Each time the knob was turned behind a reading, nobody can say of which function it was.
    let reported =
        kept.rows("SELECT DISTINCT substr(text, 1, 44) FROM event WHERE kind = 'bad frame' ORDER BY id LIMIT 2");
    assert_eq!(
        reported,
        ["the function was changed while this was read", "9.91E37 says that there is no number (SCPI):"]
    );
    let csv = bay.path("samples.csv");
    bay.bayline(["export", "last", "-o", text(&csv)]).done();
    let csv = fs::read_to_string(csv).unwrap();
    for part in ["12.41", "7.49", "over", "-0.005"] {
        assert!(csv.contains(part), "no {part}: {csv}");
    }
}

#[test]
fn questions_without_an_answer_are_counted_and_told() {
    let bay = Bay::with_bench(BENCH);
    let hasty = include_str!("../../protocols/scpi.toml")
        .replace("timeout = \"3 s\"", "timeout = \"50 ms\"")
        .replace("timeout = \"1 s\"", "timeout = \"50 ms\"");
    fs::create_dir(bay.path("protocols")).unwrap();
    bay.write("protocols/scpi.toml", &hasty);
    // Switched off: the cable is there and nobody answers.
    let _silent = bay.meter("multimeter");
    let mut daemon = bay.start_with(&["--protocols", text(&bay.path("protocols"))]);
    daemon.until("a question unanswered", |status| of_meter(status, "multimeter")["unanswered"].as_u64() >= Some(2));
    let said = bay.bayline(["status"]).done();
    assert!(said.contains("multimeter did not answer ") && said.contains(" questions\n"), "{said}");
    daemon.stop();
}

#[test]
fn what_a_meter_says_of_itself_is_shown_and_kept() {
    const FIRST: &str = "Invented Works,Bench 6,SN0042,1.07";
    const SECOND: &str = "Invented Works,Bench 6,SN0043,1.07";
    let bay = Bay::with_bench(BENCH);
    let multimeter = Instrument::new(bay.meter("multimeter"), Shows("VOLT", 12.41));
    let mut daemon = bay.start();
    let named = |text: &'static str| move |status: &Value| of_meter(status, "multimeter")["identity"] == text;
    let lost = |status: &Value| of_meter(status, "multimeter")["open"] == false;
    daemon.until("its name", named(FIRST));
    let said = bay.bayline(["status"]).done();
    assert!(said.contains(&format!("multimeter reports its identity: {FIRST}\n")), "{said}");

    // The same one back again is no news; another one in its place is.
    let mut meter = multimeter.unplug();
    let status = daemon.until("the loss", lost);
    assert_eq!(of_meter(&status, "multimeter")["identity"], Value::Null);
    meter.plug_in();
    let multimeter = Instrument::new(meter, Shows("VOLT", 12.41));
    daemon.until("its name again", named(FIRST));
    let mut meter = multimeter.unplug();
    daemon.until("the second loss", lost);
    meter.plug_in();
    let _other = Instrument::named(meter, ["Invented Works", "Bench 6", "SN0043", "1.07"], Shows("VOLT", 12.41));
    daemon.until("another name", named(SECOND));
    // A session that is begun later knows as well who measured.
    daemon.ask(json!({"do": "begin"}));
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT session, subject, text FROM event WHERE kind = 'identity' ORDER BY id"),
        [
            format!("1 | multimeter | its identity: {FIRST}"),
            format!("1 | multimeter | its identity: {SECOND}"),
            format!("2 | multimeter | its identity: {SECOND}"),
        ]
    );
    let shown = bay.bayline(["show", "last"]).done();
    assert!(shown.contains(&format!("its identity: {SECOND}")), "{shown}");
}

#[test]
fn an_error_in_the_instruments_queue_is_an_event() {
    let bay = Bay::with_bench(BENCH);
    let multimeter = Instrument::new(bay.meter("multimeter"), Shows("VOLT", 12.41));
    let protocols = asks_often_for_errors(&bay);
    let mut daemon = bay.start_with(&["--protocols", &protocols]);
    daemon.until("volts", |status| shown(status) == "12.41 \"V DC\"");
    multimeter.message("VLOT:RANG 20");
    daemon.until("the error asked for", |_| multimeter.errors() == 0);
    daemon.until_refused("multimeter", 1);
    daemon.stop();
    // SCPI-1999, volume 2, 21.8: -113 is an undefined header (number from memory, words of the crate).
    assert_eq!(
        bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'bad frame'"),
        ["multimeter | the meter says that something went wrong: -113,\"Undefined header\""]
    );
}

#[test]
fn each_different_error_is_reported_however_often_others_came() {
    let bay = Bay::with_bench(BENCH);
    let multimeter = Instrument::new(bay.meter("multimeter"), Shows("VOLT", 12.41));
    let protocols = asks_often_for_errors(&bay);
    let mut daemon = bay.start_with(&["--protocols", &protocols]);
    daemon.until("volts", |status| shown(status) == "12.41 \"V DC\"");
    for _ in 0..9 {
        multimeter.message("VLOT:RANG 20");
    }
    daemon.until("the first errors", |_| multimeter.errors() == 0);
    // Two more than its queue has room for: the crate says so in the last place.
    multimeter.fails(&[
        ErrorCode::UndefinedHeader,
        ErrorCode::DataTypeError,
        ErrorCode::MissingParameter,
        ErrorCode::DataOutOfRange,
        ErrorCode::SettingsConflict,
        ErrorCode::HardwareError,
        ErrorCode::CalibrationFailed,
        ErrorCode::SelfTestFailed,
        ErrorCode::QueryInterrupted,
        ErrorCode::QueryUnterminated,
        ErrorCode::QueryDeadlocked,
        ErrorCode::InputBufferOverrun,
    ]);
    daemon.until_refused("multimeter", 19);
    daemon.stop();
    let said = "the meter says that something went wrong";
    let reported = bay.kept().rows("SELECT text FROM event WHERE kind = 'bad frame' ORDER BY id");
    assert_eq!(
        reported,
        [
            format!("{said}: -113,\"Undefined header\""),
            format!("{said}, 10 times by now: -113,\"Undefined header\""),
            format!("{said}: -104,\"Data type error\""),
            format!("{said}: -109,\"Missing parameter\""),
            format!("{said}: -222,\"Data out of range\""),
            format!("{said}: -221,\"Settings conflict\""),
            format!("{said}: -240,\"Hardware error\""),
            format!("{said}: -340,\"Calibration failed\""),
            format!("{said}: -330,\"Self-test failed\""),
            format!("{said}: -410,\"Query INTERRUPTED\""),
            format!("{said}: -350,\"Queue overflow\""),
            "19 frames brought no reading, in the whole session".to_owned(),
        ]
    );
}

#[test]
fn identify_writes_nothing_unless_it_may() {
    let bay = Bay::new();
    let multimeter = Instrument::new(bay.meter("multimeter"), Shows("VOLT", 12.41));
    let port = bay.port("multimeter");
    let said = bay.bayline(["identify", text(&port), "--for", "100 ms"]).failed(1);
    assert!(said.contains("need --poll"), "{said}");
    assert_eq!(multimeter.heard(), "");

    let poll = ["identify", text(&port), "--for", "900 ms", "--baud", "9600", "--poll"];
    let said = bay.bayline(poll).done();
    assert!(said.contains("\nscpi reports its identity: Invented Works,Bench 6,SN0042,1.07\n"), "{said}");
    let said = bay.bayline(poll.into_iter().chain(["--json"])).done();
    let best: Value = serde_json::from_str(said.lines().next().unwrap()).unwrap();
    assert_eq!((&best["protocol"], &best["first"][0]), (&"scpi".into(), &"value = 12.41 V DC".into()), "{said}");
    assert_eq!(best["identity"], "Invented Works,Bench 6,SN0042,1.07");
    let heard = multimeter.heard();
    assert!(heard.contains("*IDN?\n") && heard.contains("READ?\n"), "{heard}");
}
