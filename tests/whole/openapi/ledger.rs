//! Rows of the ledger: each list of real sessions is as the document says, and has no key that does not stand there.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::{NONE, check, closed, printed};
use crate::{
    drive_picture::driven,
    harness::{Bay, Daemon, HANDHELD, Meter},
    page::Page,
};

const COIL: &str = r#"
title = "A feed and a coil"
[[step]]
name = "lift feed"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
"#;

/// Which lists of the ledger have rows.
fn filled(ledger: &Value) -> BTreeSet<String> {
    let rows = ledger.as_object().unwrap().iter();
    rows.filter(|(_, rows)| rows.as_array().is_some_and(|rows| !rows.is_empty()))
        .map(|(list, _)| list.clone())
        .collect()
}

/// A session of a coil whose ohms are too high.
fn measured(meter: &mut Meter, daemon: &mut Daemon) {
    let begin = json!({ "do": "begin", "machine": "loader 7", "part_c": 20.0, "procedure": { "file": "coil.toml", "text": COIL } });
    daemon.ask(begin);
    for (number, line) in (1..).zip(["12.41 V", "9.20 ohm"]) {
        meter.line(line);
        daemon.until_samples(number);
        daemon.take();
        daemon.step("next");
    }
    daemon.until_finding();
}

#[test]
fn every_row_is_as_the_document_says() {
    let document = closed(&printed());
    // A drive has what was watched.
    let (bay, mut daemon) = driven();
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let driven = page.json(&cookie, "GET", "/session?id=last", &NONE);
    check(&document, "get", "/session", &driven);
    check(&document, "get", "/session/drive", &page.json(&cookie, "GET", "/session/drive?id=last", &NONE));
    let mut lists = filled(&driven["session"]);
    drop((bay, daemon));

    // A visit has findings, photos and corrections, and knows a good machine.
    let bay = Bay::with_bench(HANDHELD);
    let mut meter = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    daemon.until_open(["handheld"]);
    measured(&mut meter, &mut daemon);
    daemon.ask(json!({ "do": "end" }));
    bay.bayline(["correct", "last", "--good"]).done();
    measured(&mut meter, &mut daemon);
    daemon.ask(json!({ "do": "correct", "job": "A-114", "by": "K" }));
    let photo = bay.path("photo.png");
    image::RgbImage::new(8, 8).save(&photo).unwrap();
    bay.bayline(["photo", crate::harness::text(&photo)]).done();
    daemon.ask(json!({ "do": "end" }));
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    for path in ["/ledger", "/session?id=last"] {
        let answer = page.json(&cookie, "GET", path, &NONE);
        check(&document, "get", path.split('?').next().unwrap(), &answer);
        let ledger = answer.get("session").filter(|_| path != "/ledger").unwrap_or(&answer);
        lists.extend(filled(ledger));
        assert_eq!(ledger["steps"][1]["capture"]["shown"], "9.20 ohm ± 0.09 ohm", "{ledger}");
        assert_eq!(ledger["captures"][1]["shown"], "9.20 ohm ± 0.09 ohm");
    }
    daemon.stop();
    let named = document["components"]["schemas"]["Ledger"]["properties"].as_object().unwrap();
    let wanted: BTreeSet<String> = named.keys().filter(|list| *list != "session").cloned().collect();
    assert_eq!(lists, wanted, "each list was looked at with rows in it");

    // A key that is missing, one that is too much, and a word that is none are found.
    let whole = json!({ "$ref": "#/components/schemas/Ledger", "components": document["components"] });
    let validator = jsonschema::validator_for(&whole).unwrap();
    let good = &driven["session"];
    assert!(validator.is_valid(good));
    for spoil in [
        |row: &mut Value| _ = row.as_object_mut().unwrap().remove("began_s"),
        |row: &mut Value| row["began_us"] = json!(1),
        |row: &mut Value| row["verdict"] = json!("fine"),
    ] {
        let mut wrong = good.clone();
        spoil(&mut wrong["steps"][0]);
        assert!(!validator.is_valid(&wrong), "{wrong}");
    }
}
