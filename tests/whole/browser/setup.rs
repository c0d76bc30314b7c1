//! A bench set up by form, and a past session looked at.

use std::fs;

use fantoccini::Locator;
use serde_json::json;

use super::{Browser, PATIENCE, keyboard::SMALL_TARGETS};
use crate::harness::{Bay, Display, text};

const METER: &str = "
[[meter]]
name = \"handheld\"
port = \"PORTS/handheld\"
protocol = \"number\"
";

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_bench_is_set_up_by_form_and_a_past_session_is_looked_at() {
    let bay = Bay::with_bench(METER);
    let meter = bay.meter("handheld");
    let probe = Display::of(meter, "12.41 V");
    let port = bay.port("handheld");
    let mut daemon = bay.launch(bay.command(["run", "--page", "127.0.0.1:0", "--offer", text(&port)]));
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();
    browser.until("sentence", "No meter is set up yet").await;
    browser.client.goto(&link.replace(&link[link.find("/#").unwrap()..], "/setup")).await.unwrap();

    // What is plugged in, with its live reading.
    browser.until("ports", text(&port)).await;
    let listen = format!("#ports li[data-port=\"{}\"] button", text(&port));
    browser.client.find(Locator::Css(&listen)).await.unwrap().click().await.unwrap();
    browser.until("meters", "12.41 V").await;
    browser.picture("setup", 360, 740).await;
    browser.is_accessible("setup").await;
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]), "a glove hits all of it");
    browser.client.find(Locator::Id("bench-name")).await.unwrap().send_keys("bay 2").await.unwrap();
    browser.client.find(Locator::Css("#save button")).await.unwrap().click().await.unwrap();
    browser.until("said", "\"bay 2\" is in use from now on").await;
    browser.until("meters", "probe 12.41 V").await;
    browser.picture("setup-wide", 1280, 800).await;
    let saved = fs::read_to_string(bay.path(".config/bayline/benches/bay 2.toml")).unwrap();
    assert!(saved.contains("[[meter.channel]]") && saved.contains("name = \"probe\""), "{saved}");

    // A visit begins, and its session is found afterwards.
    browser.client.find(Locator::Id("machine")).await.unwrap().send_keys("loader 7").await.unwrap();
    browser.tap("go").await;
    browser.until("visit", "loader 7").await;
    browser.until("figure", "12.41").await;
    browser.tap("take").await;
    browser.until("ledger", "").await;
    probe.shows("9.53 V");
    browser.until("figure", "9.53").await;
    daemon.reconnect(&bay.socket());
    daemon.ask(json!({ "do": "end" }));
    browser.client.goto(&link.replace(&link[link.find("/#").unwrap()..], "/past")).await.unwrap();
    browser.until("list", "loader 7").await;
    browser.picture("past", 360, 740).await;
    browser.is_accessible("past").await;
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]), "a glove hits all of it");
    browser.client.find(Locator::Css("#list a")).await.unwrap().click().await.unwrap();
    browser.until("plots", "probe, V DC").await;
    browser.client.wait().at_most(PATIENCE).for_element(Locator::Css("#plots canvas")).await.unwrap();
    browser.picture("past-one", 1280, 1600).await;
    browser.is_accessible("past-one").await;
    browser.picture("past-one-phone", 360, 1600).await;
    browser.client.find(Locator::Css("#correct summary")).await.unwrap().click().await.unwrap();
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]), "a glove hits all of it");

    // A link to one session lets in and leads there.
    let (address, token) = link.split_once("/#").unwrap();
    browser.client.delete_all_cookies().await.unwrap();
    browser.client.goto(&format!("{address}/past?id=last#{token}")).await.unwrap();
    browser.until("sentence", "loader 7").await;
    browser.until("plots", "probe, V DC").await;
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
