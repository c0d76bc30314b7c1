//! Sentences of public logs, as an independent program reads them.
//!
//! `tests/data/nmea/sentences.csv` holds what the Python package pynmea2 1.19.0 made of each: the
//! first three are well-known tutorial sentences, the others are from ship logs published by NOAA
//! PSL (2019, 2020) and an open survey log of Deltares (2007).

use bayline::protocol::{Decoded, Engine, Library, Value};

#[derive(Debug)]
struct Row {
    sentence: String,
    kind: String,
    latitude: Option<f64>,
    longitude: Option<f64>,
    knots: Option<f64>,
    kmh: Option<f64>,
}

fn rows() -> Vec<Row> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/nmea/sentences.csv");
    let mut reader = csv::Reader::from_path(path).unwrap();
    let records = reader.records().map(|record| {
        let record = record.unwrap();
        let number = |at: usize| record[at].parse().ok();
        Row {
            sentence: record[0].to_owned(),
            kind: record[1].to_owned(),
            latitude: number(2),
            longitude: number(3),
            knots: number(4),
            kmh: number(5),
        }
    });
    records.collect()
}

/// The values of one sentence by name.
fn read(sentence: &str) -> Vec<(String, f64)> {
    let mut engine = Engine::new(Library::default().find("nmea-0183").unwrap());
    let mut out = Decoded::default();
    engine.push(format!("{sentence}\r\n").as_bytes(), &mut out);
    assert_eq!(engine.counts().explained, sentence.len() as u64 + 2, "{sentence}: {:?}", out.problems);
    let values = out.readings.iter().map(|reading| {
        let Value::Number(value) = reading.value else { panic!("{sentence}: {reading:?}") };
        (engine.names()[usize::from(reading.name)].clone(), value)
    });
    values.collect()
}

#[test]
fn speed_and_position_are_as_pynmea2_reads_them() {
    let rows = rows();
    assert_eq!(rows.len(), 13);
    let mut checked = 0;
    for row in rows {
        let values = read(&row.sentence);
        let get = |name: &str| values.iter().find(|(known, _)| known == name).map(|(_, value)| *value);
        let expected = match &row.kind[..] {
            // One knot is 1.852 km/h exactly.
            "RMC" => vec![
                ("latitude", row.latitude),
                ("longitude", row.longitude),
                ("speed", row.knots.map(|knots| knots * 1.852)),
            ],
            "VTG" => vec![("ground speed", row.kmh)],
            _ => vec![("latitude", None), ("speed", None)],
        };
        for (name, expected) in expected {
            match (get(name), expected) {
                // The table has nine decimals.
                (Some(value), Some(expected)) => assert!((value - expected).abs() < 6e-10, "{row:?}: {name} {value}"),
                (value, expected) => assert_eq!(value, expected, "{row:?}: {name}"),
            }
            checked += usize::from(expected.is_some());
        }
    }
    assert_eq!(checked, 13, "three values of three sentences, and four of one");
}

#[test]
fn a_changed_sentence_is_refused_as_pynmea2_does() {
    for row in rows() {
        for at in 1..row.sentence.len() - 3 {
            let mut bytes = row.sentence.clone().into_bytes();
            bytes[at] ^= 1;
            let mut engine = Engine::new(Library::default().find("nmea-0183").unwrap());
            engine.push(&[&bytes[..], b"\r\n"].concat(), &mut Decoded::default());
            assert_eq!(engine.counts().readings, 0, "{}, byte {at}", row.sentence);
        }
    }
}
