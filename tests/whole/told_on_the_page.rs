//! Proves that leads are nulled and temperatures corrected from the page while a session is open, that what was judged before is
//! judged again by them, and that every request of the operator has its place on the page.

use serde_json::{Value, json};

use crate::{
    harness::{Bay, Display, HANDHELD, text, until},
    page::Page,
};

const NONE: Value = Value::Null;

/// Copper gains 0.393 % of its resistance at 20 °C with each kelvin (IEC 60028): 7.5 ohm at 20 °C are 8.77 ohm at 63 °C.
const COILS: &str = r#"
title = "Two coils"
[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
[[step]]
name = "tilt coil ohms"
circuit = "tilt coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
"#;

#[test]
fn leads_are_nulled_and_a_temperature_is_corrected_while_the_session_is_open() {
    let bay = Bay::with_bench(HANDHELD);
    let coils = bay.write("coils.toml", COILS);
    let probe = Display::of(bay.meter("handheld"), "1.20 ohm");
    let options = ["--page", "127.0.0.1:0", "--procedure", text(&coils), "--machine", "loader 7", "--part", "20"];
    let mut daemon = bay.start_with(&options);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let act = |request: Value| page.json(&cookie, "POST", "/do", &request);
    let reads = |shown: &str| {
        until("the reading", || match page.json(&cookie, "GET", "/status", &NONE) {
            status if status["status"]["readings"][0]["shown"] == shown => Ok(()),
            status => Err(status["status"]["readings"].clone()),
        });
    };

    // Held together, the leads show 1.2 ohm: more than the touch that is noticed by itself, so the button takes them off.
    reads("1.20 ohm");
    let nulled = until("the leads to be still", || match act(json!({ "do": "zero", "channel": "probe" })) {
        answer if answer["ok"] == true => Ok(answer),
        answer => Err(answer),
    });
    assert!((nulled["zeroed"]["offset"].as_f64().unwrap() - 1.2).abs() < 1e-9, "{nulled}");
    let undone = act(json!({ "do": "undo" }));
    assert!(undone["undone"].as_str().unwrap().contains("nothing is taken off \"probe\" for its leads"), "{undone}");
    assert_eq!(act(json!({ "do": "zero", "channel": "probe" }))["ok"], true);

    // A warm coil fails against the temperature that was told.
    probe.shows("9.97 ohm");
    reads("9.97 ohm");
    let refused = until("a coil is no pair of leads", || match act(json!({ "do": "zero", "channel": "probe" })) {
        answer if answer["error"].as_str().is_some_and(|why| why.contains("more than leads")) => Ok(answer),
        answer => Err(answer),
    });
    assert!(refused["spoken"]["words"].as_str().unwrap().contains("nine point nine seven ohms"), "{refused}");
    let taken = act(json!({ "do": "take" }))["taken"][0].clone();
    assert_eq!(taken["verdict"], "out of limit", "{taken}");
    assert!((taken["value"].as_f64().unwrap() - 8.77).abs() < 0.01, "1.2 ohm are taken off: {taken}");
    let told = act(json!({ "do": "correct", "part_c": 63.0, "by": "K" }));
    assert_eq!(told["corrections"][0]["value_after"], "63", "{told}");
    assert!(told["warnings"][0].as_str().unwrap().contains("those done before are judged by it when"), "{told}");
    assert_eq!(act(json!({ "do": "correct", "part_c": 500.0 }))["ok"], false);
    act(json!({ "do": "step", "to": "next" }));
    let next = until("a reading in the next step", || match act(json!({ "do": "take" })) {
        answer if answer["ok"] == true => Ok(answer),
        answer => Err(answer),
    });
    assert_eq!(next["taken"][0]["verdict"], "in limit", "the next step has the new limit: {next}");
    assert_eq!(act(json!({ "do": "end" }))["ok"], true);

    // What was judged before is judged again.
    let ledger = page.json(&cookie, "GET", "/session?id=last", &NONE)["session"].clone();
    let verdicts: Vec<&Value> = ledger["steps"].as_array().unwrap().iter().map(|step| &step["verdict"]).collect();
    assert_eq!(verdicts, ["in limit", "in limit"], "{ledger}");
    assert_eq!(ledger["session"]["judgement"], 1);

    // Put right later, by the same record; and taken back.
    let later = |body: Value| page.json(&cookie, "POST", "/session/correct", &body);
    let put = later(json!({ "id": "last", "told": { "part_c": 20.0, "machine": "loader 8" } }));
    assert!(put["judged_again"] == true && put["corrections"].as_array().unwrap().len() == 2, "{put}");
    let ledger = page.json(&cookie, "GET", "/session?id=last", &NONE)["session"].clone();
    assert_eq!(
        (&ledger["steps"][1]["verdict"], &ledger["session"]["machine"]),
        (&json!("out of limit"), &json!("loader 8"))
    );
    assert_eq!(later(json!({ "id": "last", "undo": true }))["ok"], true);
    assert_eq!(later(json!({ "id": "last", "undo": true }))["ok"], true);
    let ledger = page.json(&cookie, "GET", "/session?id=last", &NONE)["session"].clone();
    assert_eq!(
        (&ledger["steps"][1]["verdict"], &ledger["session"]["machine"]),
        (&json!("in limit"), &json!("loader 7"))
    );
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT kind, content FROM input WHERE kind IN ('leads', 'temperatures') ORDER BY id").len(),
        4
    );
}

/// What the page sends of each request, or why it has no place there.
const ON_THE_PAGE: [(&str, &str); 16] = [
    ("begin", r#"do: "begin""#),
    ("end", r#"do: "end""#),
    ("step", r#"do: "step", to: "next""#),
    ("take", r#"do: "take""#),
    ("mark", r#"do: "mark""#),
    ("note", r#"do: "note""#),
    ("photo", r#"fetch(`/photo?"#),
    ("correct", r#"do: "correct""#),
    ("zero", r#"do: "zero""#),
    ("speaker", r#"do: "speaker""#),
    ("undo", r#"do: "undo""#),
    ("status", r#"read("/status")"#),
    ("watch", r#"new EventSource("/news")"#),
    ("link", "made at the computer alone: a page that is lost must not let others in"),
    ("links", "made at the computer alone: a page that is lost must not let others in"),
    ("revoke", "made at the computer alone: a page that is lost must not let others in"),
];

#[test]
fn every_request_has_its_place_on_the_page() {
    let source = include_str!("../../src/server/messages/request.rs");
    let (_, variants) = source.split_once("pub(crate) enum Request {").unwrap();
    let variants = variants.split("\n}\n").next().unwrap();
    let names: Vec<String> = variants
        .lines()
        .filter_map(|line| {
            line.strip_prefix("    ").filter(|line| line.starts_with(|first: char| first.is_ascii_uppercase()))
        })
        .map(|line| line.chars().take_while(char::is_ascii_alphanumeric).collect::<String>().to_lowercase())
        .collect();
    let mut listed: Vec<&str> = ON_THE_PAGE.iter().map(|(name, _)| *name).collect();
    listed.sort_unstable();
    let mut sorted: Vec<&str> = names.iter().map(String::as_str).collect();
    sorted.sort_unstable();
    assert_eq!(listed, sorted, "each request has a button, or a reason why it has none");
    let page = [
        include_str!("../../src/server/page/page.js"),
        include_str!("../../src/server/page/acts.js"),
        include_str!("../../src/server/page/sound.js"),
        include_str!("../../src/server/page/setup.js"),
    ]
    .concat();
    for (name, sent) in ON_THE_PAGE {
        let is_reason = sent.starts_with("made at the computer");
        assert!(is_reason || page.contains(sent), "the page does not ask for `{name}` by {sent}");
    }
}
