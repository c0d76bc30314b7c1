//! Proves that a vehicle's own figures are asked for through a text adapter, and that what the vehicle
//! does not know is a problem and never a value.

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
    },
};

use serde_json::Value;

use crate::harness::{Bay, Meter, Peer, of_meter};

const BENCH: &str = "[[meter]]\nname = \"vehicle\"\nport = \"PORTS/vehicle\"\nprotocol = \"j1979-text\"\n";

/// What control modules answer, by request; what stands there for none is `NO DATA`.
type Answers = Arc<Mutex<BTreeMap<&'static str, &'static str>>>;

/// How an adapter is set.
#[derive(Clone, Copy)]
struct AdapterSettings {
    echo: bool,
    end: &'static str,
    spaces: bool,
    headers: bool,
}

/// As it is after each start.
const STARTED: AdapterSettings = AdapterSettings { echo: true, end: "\r\n", spaces: true, headers: false };

/// An adapter as one finds it: it echoes, ends lines with line feeds and hides who answered until it is told otherwise, looks for
/// the bus at the first request, and shows a prompt when it is ready (its words from memory). Where `restarts` is set it starts
/// anew at the next request, and says its name.
fn adapter(meter: Meter, answers: Answers, restarts: Arc<AtomicBool>) -> Peer {
    let (mut begun, mut set, mut found) = (String::new(), STARTED, false);
    Peer::new(meter, move |bytes| {
        let mut said = String::new();
        for character in bytes.iter().copied().map(char::from) {
            if set.echo {
                said.push(character);
            }
            if character != '\r' {
                begun.push(character);
                continue;
            }
            let request = std::mem::take(&mut begun);
            if restarts.swap(false, Ordering::Relaxed) {
                (set, found) = (STARTED, false);
                said += "\r\r\nADAPTER v1.0\r\r\n>";
                continue;
            }
            let mut answer = "OK".to_owned();
            match request.as_str() {
                "ATE0" => set.echo = false,
                "ATL0" => set.end = "\r",
                "ATS0" => set.spaces = false,
                "ATH1" => set.headers = true,
                request => {
                    let lines = answers.lock().unwrap().get(request).copied().unwrap_or("NO DATA");
                    let lines = lines.split('|').map(|line| {
                        // Who answers, and how many bytes, are before the data (ISO 15765-4 on CAN, from memory).
                        let data = line.strip_prefix("7E").map(|_| if set.headers { line } else { &line[7..] });
                        let data = data.map(|data| if set.spaces { data.to_owned() } else { data.replace(' ', "") });
                        data.unwrap_or_else(|| line.to_owned())
                    });
                    answer = lines.collect::<Vec<_>>().join(set.end);
                }
            }
            let end = set.end;
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
        ("010C", "7E8 04 41 0C 1A F8 "),
        ("010D", "7E8 03 41 0D 40 "),
        // Two control units have a supply.
        ("0142", "7E8 04 41 42 30 39 |7E9 04 41 42 30 D4 "),
        ("0105", "7E8 03 41 05 7B "),
    ])));
    let restarts = Arc::new(AtomicBool::new(false));
    let adapter = adapter(bay.meter("vehicle"), answers.clone(), restarts.clone());
    let mut daemon = bay.start();
    for (channel, value) in [
        ("vehicle engine speed", "1726.0 rpm"),
        ("vehicle road speed", "64.0 km/h"),
        ("vehicle module voltage", "12.345 V"),
        ("vehicle module voltage from 7E9", "12.5 V"),
        ("vehicle coolant temperature", "83.0 °C"),
    ] {
        daemon.until(channel, |status| shown(status, channel) == value);
    }
    // The engine idles, and the vehicle's speed can't be had any more.
    answers.lock().unwrap().insert("010C", "7E8 04 41 0C 0B B8 ");
    answers.lock().unwrap().remove("010D");
    daemon.until("idling", |status| shown(status, "vehicle engine speed") == "750.0 rpm");
    let status = daemon.until("no speed", |status| of_meter(status, "vehicle")["refused"].as_u64() >= Some(2));
    assert_eq!(status["alarms"].as_array().unwrap().len(), 0);
    // Its plug was loose for a moment: it is set again, and goes on.
    restarts.store(true, Ordering::Relaxed);
    answers.lock().unwrap().insert("010C", "7E8 04 41 0C 0B C0 ");
    daemon.until("the speed after it", |status| shown(status, "vehicle engine speed") == "752.0 rpm");
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT channel, quantity, value, unit FROM reading GROUP BY channel, value ORDER BY MIN(row)"),
        [
            "vehicle engine speed | rpm | 1726 | rpm",
            "vehicle road speed | km/h | 64 | km/h",
            "vehicle module voltage | V DC | 12.345 | V",
            "vehicle module voltage from 7E9 | V DC | 12.5 | V",
            "vehicle coolant temperature | °C | 83 | °C",
            "vehicle engine speed | rpm | 750 | rpm",
            "vehicle engine speed | rpm | 752 | rpm",
        ]
    );
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'bad frame' ORDER BY id LIMIT 1"),
        ["the meter says that something went wrong: >NO DATA"]
    );
    // Nothing but current data was asked for: service 01 changes nothing in a vehicle.
    let heard = adapter.heard();
    assert_eq!(heard.matches("ATH1\r").count(), 2, "{heard}");
    let is_setting = |request: &str| ["ATE0", "ATL0", "ATS0", "ATH1"].contains(&request);
    assert!(heard.split_terminator('\r').all(|request| request.starts_with("01") || is_setting(request)), "{heard}");
}
