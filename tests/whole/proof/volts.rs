//! Ghost volts, a lead in the amps jack, and a dead battery reading.

use serde_json::json;

use super::{QUICK, feed};
use crate::harness::{Bay, Client, Daemon, Display, text};

const BENCH: &str = r#"
[[meter]]
name = "handheld"
port = "PORTS/handheld"
protocol = "number"
amps_fuse = "10 A"
[[meter.channel]]
name = "probe"
[[meter]]
name = "board"
port = "PORTS/board"
protocol = "pairs"
[[meter.channel]]
name = "battery"
reads = "supply"
quantity = "V DC"
"#;

struct Volts {
    _bay: Bay,
    probe: Display,
    board: Display,
    daemon: Daemon,
    ears: Client,
}

fn on(shown: &str, steps: &str) -> Volts {
    let bay = Bay::with_bench(BENCH);
    // Blank until somebody listens.
    let probe = Display::of(bay.meter("handheld"), "");
    let board = Display::of(bay.meter("board"), "supply=12.61V");
    let procedure = bay.write("p.toml", &format!("title = \"Volts\"\nadvance = \"lifted\"\n{QUICK}\n{steps}"));
    let daemon = bay.start_with(&["--procedure", text(&procedure)]);
    let ears = bay.client().watch();
    probe.shows(shown);
    Volts { _bay: bay, probe, board, daemon, ears }
}

#[test]
fn the_battery_channel_says_what_battery_plus_must_show() {
    let mut volts = on("0.002 V", &feed("lift feed"));
    assert_eq!(volts.ears.asked("Nothing at lift feed")["waits_for"], "at least 11.3 V");
    // The lead is said to be on battery plus, and the meter shows nothing.
    let ask = volts.ears.asked("meter shows nothing on the battery");
    assert!(ask["text"].as_str().unwrap().ends_with("Check jack, fuse, leads."), "{ask}");
    assert_eq!(ask["pattern"], "wrong jack");
    // Touching pulls the battery down: the lead is a dead short.
    volts.board.shows("supply=12.15V");
    let ask = volts.ears.asked("Lift off! The lead is in the amps jack.");
    volts.board.shows("supply=12.61V");
    assert!(ask["text"].as_str().unwrap().contains("Red lead to the volts jack"), "{ask}");
    volts.daemon.mark("done");
    volts.ears.asked("Nothing at lift feed. If the lead is on the pin, touch battery plus.");
    volts.daemon.stop();
}

#[test]
fn after_an_amps_step_the_jack_comes_before_the_battery() {
    let amps = "[[step]]\nname = \"amps\"\nchannel = \"probe\"\nquantity = \"A DC\"\n";
    let mut volts = on("1.62 A", &(amps.to_owned() + &feed("lift feed")));
    volts.daemon.until("the amps", |status| status["readings"].as_array().is_some_and(|all| all.len() == 2));
    volts.daemon.take();
    volts.daemon.step("next");
    volts.probe.shows("0.000 V");
    volts.ears.said("red lead back to the volts jack before it touches anything");
    let ask = volts.ears.heard("the first question", |news| news["news"] == "ask")["ask"].take();
    assert_eq!(ask["text"], "Nothing at lift feed. Red lead to the volts jack first, then press mark.");
    assert_eq!(ask["waits_for"], "mark, or volts on the point");
    volts.daemon.mark("");
    assert!(volts.ears.asked("touch battery plus")["text"].as_str().unwrap().contains("jump post"));
    volts.daemon.stop();
}

#[test]
fn ghost_volts_are_no_capture_and_flagged_where_they_are_taken() {
    let mut volts = on("OL V", &feed("lift feed"));
    volts.daemon.until("the battery", |status| status["readings"].as_array().is_some_and(|all| all.len() == 2));
    let (mut asked, mut value) = (json!(null), 3.0);
    while asked["text"] != "Ghost volts: load it as the procedure allows." {
        value += 0.1;
        assert!(value < 9.0, "ghost volts were not told: {asked}");
        volts.probe.shows(&format!("{value:.2} V"));
        volts.daemon.until("the drift", |status| {
            asked = status["ask"].clone();
            status["readings"].as_array().is_some_and(|all| {
                all.iter().any(|one| one["value"].as_f64().is_some_and(|shown| (shown - value).abs() < 0.01))
            })
        });
    }
    let taken = volts.daemon.take()["taken"][0].clone();
    assert_eq!((&taken["flags"], &taken["verdict"]), (&json!(["ghost volts"]), &json!("out of limit")), "{taken}");
    volts.daemon.stop();
}
