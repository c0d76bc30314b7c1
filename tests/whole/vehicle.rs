//! Proves that a vehicle's own figures are asked for through a text adapter, and that what the vehicle
//! does not know is a problem and never a value.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex},
};

use serde_json::Value;

use crate::harness::{Bay, Meter, Peer, of_meter};

const BENCH: &str = "[[meter]]\nname = \"vehicle\"\nport = \"PORTS/vehicle\"\nprotocol = \"j1979-text\"\n";

/// What control modules answer, by request; what stands there for none is `NO DATA`.
type Answers = Arc<Mutex<BTreeMap<&'static str, &'static str>>>;

/// An adapter as one finds it: it echoes and ends lines with line feeds until it is told not to, looks for
/// the bus at the first request, and shows a prompt when it is ready (its words from memory).
fn adapter(meter: Meter, answers: Answers) -> Peer {
    let (mut begun, mut echoes, mut end, mut found) = (String::new(), true, "\r\n", false);
    Peer::new(meter, move |bytes| {
        let mut said = String::new();
        for character in bytes.iter().copied().map(char::from) {
            if echoes {
                said.push(character);
            }
            if character != '\r' {
                begun.push(character);
                continue;
            }
            let request = std::mem::take(&mut begun);
            let answer = match request.as_str() {
                "ATE0" | "ATL0" => "OK",
                request => answers.lock().unwrap().get(request).copied().unwrap_or("NO DATA"),
            };
            echoes &= request != "ATE0";
            if request == "ATL0" {
                end = "\r";
            }
            if request.starts_with("01") && !std::mem::replace(&mut found, true) {
                said += &format!("SEARCHING...{end}");
            }
            said += &format!("{answer}{end}{end}>");
        }
        said.into_bytes()
    })
}

fn shown(status: &Value, channel: &str) -> String {
    let readings = status["readings"].as_array().unwrap();
    let line = readings.iter().find(|line| line["channel"] == channel);
    line.map_or("nothing".to_owned(), |line| format!("{} {}", line["value"], line["unit"].as_str().unwrap()))
}

#[test]
fn a_vehicles_figures_arrive_in_their_units() {
    let bay = Bay::with_bench(BENCH);
    // Answers of ours; figures by the formulas of SAE J1979 (ISO 15031-5): 0C is (256 A + B)/4 rpm, 0D is
    // A km/h, 05 is A - 40 °C (read in public tables), 42 is (256 A + B)/1000 V (from memory).
    let answers = Answers::new(Mutex::new(BTreeMap::from([
        ("010C", "41 0C 1A F8 "),
        ("010D", "41 0D 40 "),
        ("0142", "41 42 30 39 "),
        ("0105", "41 05 7B "),
    ])));
    let adapter = adapter(bay.meter("vehicle"), answers.clone());
    let mut daemon = bay.start();
    for (channel, value) in [
        ("vehicle engine speed", "1726.0 rpm"),
        ("vehicle road speed", "64.0 km/h"),
        ("vehicle module voltage", "12.345 V"),
        ("vehicle coolant temperature", "83.0 °C"),
    ] {
        daemon.until(channel, |status| shown(status, channel) == value);
    }
    // The engine idles, and the vehicle's speed can't be had any more.
    answers.lock().unwrap().insert("010C", "41 0C 0B B8 ");
    answers.lock().unwrap().remove("010D");
    daemon.until("idling", |status| shown(status, "vehicle engine speed") == "750.0 rpm");
    let status = daemon.until("no speed", |status| of_meter(status, "vehicle")["refused"].as_u64() >= Some(2));
    assert_eq!(status["alarms"].as_array().unwrap().len(), 0);
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT channel, quantity, value, unit FROM reading GROUP BY channel, value ORDER BY MIN(row)"),
        [
            "vehicle engine speed | rpm | 1726 | rpm",
            "vehicle road speed | km/h | 64 | km/h",
            "vehicle module voltage | V DC | 12.345 | V",
            "vehicle coolant temperature | °C | 83 | °C",
            "vehicle engine speed | rpm | 750 | rpm",
        ]
    );
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'bad frame' ORDER BY id LIMIT 1"),
        ["the meter says that something went wrong: >NO DATA"]
    );
    // Nothing but current data was asked for: service 01 changes nothing in a vehicle.
    let heard = adapter.heard();
    assert!(heard.split_terminator('\r').skip(2).all(|request| request.starts_with("01")), "{heard}");
}
