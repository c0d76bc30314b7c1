//! A visit with both hands on the probes: captures, voice, keys, the view for the room.

use std::io::Write as _;

use fantoccini::{Locator, key::Key};
use serde_json::json;

use super::{Browser, FIRST_FIGURE, is_valid};
use crate::{
    harness::{Bay, Display, HANDHELD, text},
    page::Page,
};

pub(super) const TERMINALS: &str = r#"
title = "Terminal after terminal"

[[step]]
name = "feed, lift coil"
do = "Key on, plug off. Red lead on the lift feed pin, black lead on battery minus."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"

[[step]]
name = "feed, tilt coil"
do = "The same at the tilt feed pin."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"
"#;

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_visit_is_done_on_the_page() {
    let bay = Bay::with_bench(HANDHELD);
    let meter = bay.meter("handheld");
    meter.line("0.003 V");
    let terminals = bay.write("terminals.toml", TERMINALS);
    let options = ["--page", "127.0.0.1:0", "--machine", "loader <b>7</b>", "--procedure", text(&terminals)];
    let mut daemon = bay.start_with(&options);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();

    // What to do, and the token out of the address bar.
    browser.until("sentence", "Red lead on the lift feed pin").await;
    browser.until("step", "feed, lift coil, step 1 of 2").await;
    browser.until("visit", "loader <b>7</b>").await;
    assert!(!browser.client.current_url().await.unwrap().as_str().contains('#'));

    // A value is captured by itself; the ledger has it when the step is left by the presenter's key.
    let probe = Display::of(meter, "12.41 V");
    browser.until("figure", "12.41").await;
    browser.until("verdict", "● in limit").await;
    // A first visit has its figure soon, counted from the begin of the navigation on loopback.
    browser.client.goto(link.split('#').next().unwrap()).await.unwrap();
    browser.until("figure", "12.41").await;
    let first = browser.client.execute(FIRST_FIGURE, Vec::new()).await.unwrap().as_f64().unwrap();
    let _ = writeln!(std::io::stderr(), "first figure after {first:.0} ms");
    // The goal is 300 ms; a debug build beside other tests on two processors is only held to come at all.
    let bound = if cfg!(debug_assertions) { 2000.0 } else { 300.0 };
    assert!(first < bound, "{first} ms");
    browser.until("meters", "readings a second").await;
    browser.picture("phone", 360, 740).await;
    browser.is_accessible("phone").await;
    for path in ["/", "/setup", "/past"] {
        is_valid("served", &Page::of(&mut daemon).ask("GET", path, &[], "").body);
    }
    browser.press(Key::PageDown).await;
    browser.until("sentence", "The same at the tilt feed pin").await;
    browser.until("ledger", "feed, lift coil").await;

    // The tapped page is the one speaker; it says the daemon's words, each after the other.
    browser.listen().await;
    daemon.until("the page speaks", |status| status["speaker"].as_str().is_some_and(|name| name.starts_with("page-")));

    // The state can't be read for a moment: the page says so, keeps its buttons and reads it again.
    browser
        .client
        .execute("window.kept = fetch; fetch = () => Promise.reject(new Error('lost'));", Vec::new())
        .await
        .unwrap();
    daemon.note("while the connection is lost");
    browser.until("link", "connection lost, trying again").await;
    browser.client.execute("fetch = kept;", Vec::new()).await.unwrap();
    browser.until("link", "1 of 1 meter").await;
    browser.until("sentence", "The same at the tilt feed pin").await;

    // By hand: take, and a note.
    probe.shows("9.53 V");
    browser.until("figure", "9.5").await;
    browser.tap("take").await;
    browser.until("verdict", "■ out of limit").await;
    browser.until_said("Feed, tilt coil, nine point five three volts, out of limit, two point three too little.").await;
    daemon.ask(json!({ "do": "speaker", "name": "page-2" }));
    browser.until("hint", "Another page speaks now").await;
    browser.tap("more").await;
    browser.until("voice", "voice is off").await;
    browser.client.find(Locator::Id("text")).await.unwrap().send_keys("oil on the plug").await.unwrap();
    browser.client.find(Locator::Css("#note button[type=submit]")).await.unwrap().click().await.unwrap();
    browser.until("hint", "kept: oil on the plug").await;
    // A mark, kept with the page that made it.
    browser.tap("more").await;
    browser.client.find(Locator::Id("text")).await.unwrap().send_keys("plug off").await.unwrap();
    browser.tap("mark").await;
    browser.until("hint", "marked: plug off").await;
    browser.picture("laptop", 1280, 800).await;
    browser.is_accessible("laptop").await;
    browser.picture("tablet", 820, 1180).await;
    browser.tap("more").await;
    browser.picture("menu", 360, 740).await;
    browser.is_accessible("menu").await;
    // The room is asked before it is told.
    browser.tap("room").await;
    browser.picture("room", 1920, 1080).await;
    browser.is_accessible("room").await;
    daemon.reconnect(&bay.socket());
    daemon.step("back");
    browser.until("sentence", "What would you measure next?").await;
    browser.picture("room-asked", 1920, 1080).await;
    browser.tap("reveal").await;
    browser.until("sentence", "Red lead on the lift feed pin").await;
    browser.tap("leave").await;
    browser.until("verdict", "■ out of limit").await;
    for length in [&["report", "last"][..], &["report", "last", "--full"]] {
        is_valid("sheet", &bay.bayline(length).done());
    }

    // The daemon ends while the page is open.
    daemon.stop();
    browser.until("link", "connection lost").await;
    assert_eq!(
        bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"),
        ["while the connection is lost", "oil on the plug"]
    );
    assert_eq!(
        bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'mark'"),
        ["page of this computer | plug off"]
    );
    assert_eq!(
        bay.kept().rows("SELECT name, verdict FROM step ORDER BY number"),
        ["feed, lift coil | in limit", "feed, tilt coil | out of limit", "feed, lift coil | out of limit"]
    );
    browser.client.clone().close().await.unwrap();
}
