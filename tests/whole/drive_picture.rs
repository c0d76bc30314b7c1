//! Proves that a past drive opens as one picture: all channels over one axis of time, flags that lead to the samples around them, the
//! same flags as text, and the track; what the page is told, and the sheet. `browser/drive.rs` looks at the page itself.

use serde_json::{Value, json};

use crate::{
    harness::{Bay, Board, Daemon, Meter, text},
    page::Page,
};

const BENCH: &str = r#"
[[meter]]
name = "board"
port = "PORTS/board"
protocol = "columns-ms"
baud = 115200
[[meter.channel]]
name = "tilt coil"
reads = "v3"
quantity = "A DC"
scale = "10 mV/A"
[[meter.channel]]
name = "supply"
reads = "v1"
quantity = "V DC"
[[meter.channel]]
name = "lift coil"
reads = "v2"
quantity = "A DC"
scale = "10 mV/A"

[[meter]]
name = "receiver"
port = "PORTS/receiver"
protocol = "nmea-0183"
[[meter.channel]]
name = "road speed"
reads = "speed"
quantity = "km/h"
[[meter.channel]]
name = "latitude"
reads = "latitude"
quantity = "deg"
[[meter.channel]]
name = "longitude"
reads = "longitude"
quantity = "deg"
"#;

const DRIVE: &str = r#"
title = "Yard drive"
[[step]]
name = "out"
channel = "lift coil"
quantity = "A DC"
between = "1.2 A to 1.8 A"
capture = "worst"
[[step]]
name = "home"
when = [{ change = "lift coil", going = "down", channel = "tilt coil", to = "at most 0.1 A", within = "300 ms" }]
"#;

/// A sentence of a receiver that goes round a yard, with its checksum: an exclusive or of all between `$` and `*` (NMEA 0183).
fn fix(number: u32) -> String {
    let angle = f64::from(number) * 0.12;
    let (minutes_north, minutes_east) = (7.0 + 0.05 * angle.sin(), 31.0 + 0.12 * angle.cos());
    let body = format!(
        "GPRMC,1235{:02}.00,A,48{minutes_north:07.4},N,011{minutes_east:07.4},E,009.5,084.4,230394,,,A",
        number % 60
    );
    let checksum = body.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${body}*{checksum:02X}")
}

/// The two meters of the drive, and how far it has gone.
struct Sending {
    board: Board,
    receiver: Meter,
    fixes: u32,
}

impl Sending {
    /// So many lines of the board, and a fix before each twenty: volts of the supply and of both clamps.
    fn sends(&mut self, line: &str, count: usize) {
        for begin in (0..count).step_by(FIX_EVERY) {
            self.receiver.line(&fix(self.fixes));
            self.fixes += 1;
            self.board.sends(line, FIX_EVERY.min(count - begin));
        }
    }
}

/// Lines of the board for one of the receiver.
const FIX_EVERY: usize = 20;

/// Supply 13.8 V, lift coil 1.62 A, tilt coil 1.0 A, and both without current.
const BOTH: &str = "13.80,0.0162,0.0100";
const TILT: &str = "13.85,0.0000,0.0100";
const NONE: &str = "13.90,0.0000,0.0000";

/// A drive with one broken limit, one drop-out of a single sample, a mark, and a tilt coil that lets go too late.
pub(crate) fn driven() -> (Bay, Daemon) {
    let bay = Bay::with_bench(BENCH);
    let procedure = bay.write("drive.toml", DRIVE);
    let mut sending = Sending { board: Board::of(bay.meter("board"), 3), receiver: bay.meter("receiver"), fixes: 0 };
    let mut daemon =
        bay.start_with(&["--procedure", text(&procedure), "--page", "127.0.0.1:0", "--machine", "loader 7"]);
    daemon.until_open(["board", "receiver"]);
    let mut news = bay.client().watch();
    sending.sends(BOTH, 120);
    sending.sends("11.90,0.0080,0.0100", 50);
    sending.sends(BOTH, 120);
    news.said("lift coil in limit again");
    sending.sends("13.80,0.0162,0.0000", 1);
    sending.sends(BOTH, 100);
    daemon.ask(json!({ "do": "mark", "text": "jerk" }));
    sending.sends(BOTH, 60);
    daemon.step("next");
    for _ in 0..2 {
        sending.sends(BOTH, 80);
        sending.sends(TILT, 60);
        sending.sends(NONE, 80);
    }
    news.heard("a response", |news| news["news"] == "response");
    daemon.ask(json!({ "do": "end" }));
    (bay, daemon)
}

fn flags_of<'a>(drive: &'a Value, kind: &str) -> Vec<&'a Value> {
    drive["flags"].as_array().unwrap().iter().filter(|flag| flag["kind"] == kind).collect()
}

/// A drive that was cut off and went on is shown whole: each part leads to the other, and the sheet has the flags of both.
#[test]
fn a_drive_in_two_parts_is_shown_whole() {
    let (bay, daemon) = driven();
    daemon.kill();
    let mut daemon = bay.start_with(&["--continues", "1", "--page", "127.0.0.1:0"]);
    daemon.mark("on again");
    daemon.ask(json!({ "do": "end" }));
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    for id in ["1", "2"] {
        let reply = page.as_page(&cookie, "GET", &format!("/session?id={id}"), &Value::Null);
        let parts = serde_json::from_str::<Value>(&reply.body).unwrap()["parts"].take();
        let numbers: Vec<&Value> = parts.as_array().unwrap().iter().map(|part| &part["number"]).collect();
        assert_eq!(numbers, [1, 2], "of session {id}");
    }
    let full = bay.bayline(["report", "2", "--full"]).done();
    for words in ["The drive (part 1 of 2, session 1)", "tilt coil dropped out", "mark: jerk"] {
        assert!(full.contains(words), "{words} is not in {full}");
    }
    let short = bay.bayline(["report", "2"]).done();
    assert!(short.contains("part 1 of 2") && short.contains("tilt coil dropped out"), "{short}");
    // The first part alone knows nothing of what came later.
    let first = bay.bayline(["report", "1", "--full"]).done();
    assert!(!first.contains("part 1 of"), "{first}");
    daemon.stop();
}

#[test]
fn the_drive_is_told_as_one_picture_and_its_files() {
    let (bay, mut daemon) = driven();
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let get = |path: &str| page.as_page(&cookie, "GET", path, &Value::Null);
    let drive: Value = serde_json::from_str(&get("/session/drive?id=last").body).unwrap();
    let lanes: Vec<&str> =
        drive["lanes"].as_array().unwrap().iter().map(|lane| lane["name"].as_str().unwrap()).collect();
    assert_eq!(lanes, ["road speed", "supply", "lift coil", "tilt coil"]);

    let broken = flags_of(&drive, "out of limit")[0];
    assert!(broken["text"].as_str().unwrap().contains("lift coil out of limit"), "{broken}");
    let shown = broken["shown"].to_string();
    assert!(shown.contains("supply 11.9") && shown.contains("road speed"), "{shown}");
    let dropped = flags_of(&drive, "drop-out")[0];
    let shown = dropped["shown"].to_string();
    assert!(dropped["text"].as_str().unwrap().starts_with("tilt coil dropped out"), "{dropped}");
    assert!(shown.contains("supply 13.80 V") && shown.contains("lift coil 1.62 A"), "{shown}");
    let mark = flags_of(&drive, "mark")[0];
    assert_eq!(mark["text"], "mark: jerk");
    assert!(flags_of(&drive, "response").iter().all(|flag| flag["is_fault"] == true), "{drive}");
    assert_eq!(flags_of(&drive, "response").len(), 2, "{drive}");
    assert!(!flags_of(&drive, "change").is_empty());
    let times: Vec<f64> =
        drive["flags"].as_array().unwrap().iter().map(|flag| flag["at_s"].as_f64().unwrap()).collect();
    assert!(times.is_sorted(), "{times:?}");

    // The stretch of a flag has the worst of it, and shows single samples.
    let stretch = |flag: &Value, channel: &str, quantity: &str| -> Value {
        let (from, to) = (&flag["from_s"], &flag["to_s"]);
        let path =
            format!("/session/plot?id=last&channel={channel}&quantity={quantity}&from={from}&to={to}&columns=600");
        serde_json::from_str::<Value>(&get(&path).body).unwrap()["series"].take()
    };
    let series = stretch(dropped, "tilt%20coil", "A%20DC");
    assert_eq!(series["whole"], true, "{series}");
    let values: Vec<f64> = series["value"].as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect();
    assert_eq!(values.iter().filter(|value| value.abs() < 0.01).count(), 1, "{values:?}");
    assert!(values.len() > 20 && values.len() < 200, "{values:?}");

    // The track has the places of what was found, and no map.
    let track = &drive["track"];
    assert!(track["way"].as_str().unwrap().matches('L').count() >= 5, "{track}");
    assert!(
        track["flags"]
            .as_array()
            .unwrap()
            .iter()
            .any(|flag| flag["number"] == dropped["number"] && flag["is_fault"] == true),
        "{track}"
    );
    let gpx = get("/session/file?id=last&what=gpx").body;
    assert!(gpx.contains("<gpx") && gpx.contains("tilt coil dropped out") && gpx.contains("<trkpt"), "{gpx}");
    let csv = get("/session/file?id=last&what=track").body;
    // The full sheet has the same flags with the same numbers under the picture; the short one, which is one page, those that matter.
    let full = bay.bayline(["report", "last", "--full"]).done();
    let row = format!("<tr><td>{}</td><td class=\"number\">", dropped["number"]);
    for part in
        ["The drive", "class=\"drive\"", "class=\"track\"", &row, "The others then", "mark: jerk", "supply 13.80 V"]
    {
        assert!(full.contains(part), "{part} is not in {full}");
    }
    let short = bay.bayline(["report", "last"]).done();
    assert!(short.contains("The drive") && short.contains("tilt coil dropped out"), "{short}");
    for part in ["mark: jerk</td>", "class=\"track\"", "class=\"drive\""] {
        assert!(!short.contains(part), "{part} is in {short}");
    }
    assert!(csv.starts_with("elapsed_s,time,latitude,longitude,speed_kmh") && csv.lines().count() > 10, "{csv}");
    daemon.stop();
}

/// Seen: a drive on the bench that ships had no track, since its receiver had no channels for the position.
#[test]
fn a_drive_on_the_bench_that_ships_has_a_track() {
    let path = format!("{}/contrib/benches/selector-valves.toml", env!("CARGO_MANIFEST_DIR"));
    let shipped = std::fs::read_to_string(path).unwrap();
    let bench = shipped
        .replace("/dev/serial/by-id/usb-fast-clamp-board", "PORTS/board")
        .replace("/dev/serial/by-id/usb-receiver", "PORTS/receiver");
    let bay = Bay::with_bench(&bench);
    let [_board, receiver] = ["board", "receiver"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["receiver"]);
    daemon.mark("drive");
    for number in 0..4 {
        receiver.line(&fix(number));
    }
    // Speed, latitude and longitude of each.
    daemon.until_samples(12);
    daemon.ask(json!({ "do": "end" }));
    daemon.stop();
    let gpx = bay.bayline(["export", "last", "--gpx", "-o", "-"]).done();
    assert!(gpx.contains("<trkpt lat=\"48.1"), "{gpx}");
    // 9.5 knots at 1.852 km/h each.
    let csv = bay.bayline(["export", "last", "--track", "-o", "-"]).done();
    assert!(csv.lines().nth(1).unwrap().ends_with(",17.594"), "{csv}");
}
