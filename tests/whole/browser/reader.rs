//! What a screen reader is told: Chromium's tree of accessibility has name, role and live region of all that counts in a visit, and each
//! is said once as it changes; the reading, which changes all the time, is read only when one goes there.

use serde_json::{Value, json};

use super::Browser;
use crate::harness::{Bay, HANDHELD, text};

const STEPS: &str = r#"
title = "Two feeds"
[[step]]
name = "lift feed"
do = "Red lead on the lift feed pin."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "oil"
do = "Is there oil in the plug?"
answer = "no"
"#;

/// Keeps what is put into each live region: what a reader says by itself (WAI-ARIA 1.2, `aria-live`).
const LISTEN: &str = "
    window.told = [];
    const regions = document.querySelectorAll('[aria-live=polite], [aria-live=assertive], [role=status]');
    for (const region of regions) {
        new MutationObserver((changes) => {
            if (changes.some(({ addedNodes, type }) => addedNodes.length || type === 'characterData')) told.push([region.id, region.textContent]);
        }).observe(region, { childList: true, subtree: true, characterData: true });
    }
    window.shown = 0;
    new MutationObserver(() => { shown += 1; }).observe(document.getElementById('figure'), { childList: true, subtree: true, characterData: true });
    window.refreshed = 0;
    new MutationObserver(() => { refreshed += 1; }).observe(document.getElementById('meters'), { childList: true });
    return regions.length;";

impl Browser {
    /// What is told of an element: role, name, how live it is, and all text within it.
    async fn told_of(&self, id: &str) -> (String, String, String, String) {
        let tree = self.command("Accessibility.getFullAXTree", json!({})).await;
        let nodes = tree["nodes"].as_array().unwrap();
        let document = self.command("DOM.getDocument", json!({ "depth": 0 })).await;
        let query = json!({ "nodeId": document["root"]["nodeId"], "selector": format!("#{id}") });
        let found = self.command("DOM.querySelector", query).await;
        let found = self.command("DOM.describeNode", json!({ "nodeId": found["nodeId"] })).await;
        let own =
            |node: &&Value| node["backendDOMNodeId"] == found["node"]["backendNodeId"] && node["ignored"] == false;
        let node = nodes.iter().find(own).unwrap_or_else(|| panic!("#{id} is not in the tree"));
        let word = |value: &Value| value["value"].as_str().unwrap_or_default().to_owned();
        let live = node["properties"].as_array().unwrap().iter().find(|property| property["name"] == "live");
        let mut words = String::new();
        let mut open: Vec<&Value> = vec![node];
        while let Some(node) = open.pop() {
            if node["role"]["value"] == "StaticText" {
                words += &word(&node["name"]);
            }
            let children = node["childIds"].as_array().unwrap().iter().rev();
            open.extend(children.filter_map(|child| nodes.iter().find(|node| node["nodeId"] == *child)));
        }
        (word(&node["role"]), word(&node["name"]), live.map_or(String::new(), |live| word(&live["value"])), words)
    }

    /// The parts that must be there, whatever they hold.
    async fn is_told(&self, id: &str, role: &str, name: &str, live: &str, words: &str) {
        let told = self.told_of(id).await;
        let is_right = told.0 == role && told.1.contains(name) && told.2 == live && told.3.contains(words);
        assert!(is_right, "#{id} is to be {role} \"{name}\", live {live}, with \"{words}\", but is {told:?}");
    }

    /// What was said by itself in one place.
    async fn announced(&self, id: &str) -> Vec<String> {
        let told = self.value("return window.told").await;
        let of = told.as_array().unwrap().iter().filter(|entry| entry[0] == id);
        of.map(|entry| entry[1].as_str().unwrap().to_owned()).collect()
    }

    async fn until_value(&self, what: &str, script: &str) {
        let waited = tokio::time::timeout(super::PATIENCE, async {
            while self.value(script).await != json!(true) {
                tokio::time::sleep(std::time::Duration::from_millis(50)).await;
            }
        });
        assert!(waited.await.is_ok(), "{what} was awaited in vain");
    }
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_screen_reader_is_told_each_thing_once() {
    let bay = Bay::with_bench(HANDHELD);
    let mut meter = bay.meter("handheld");
    let steps = bay.write("steps.toml", STEPS);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--procedure", text(&steps)]);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    daemon.until_open(["handheld"]);
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();
    browser.until("step", "lift feed, step 1 of 2").await;
    meter.line("12.40 V");
    browser.until("figure", "12.40").await;

    // Step, reading, verdict, alarms: each has a name and a role, and is as live as it has to be.
    browser
        .is_told("sentence", "heading", "Red lead on the lift feed pin.", "polite", "Red lead on the lift feed pin.")
        .await;
    browser.is_told("reading", "group", "Reading", "", "12.40 V").await;
    browser.is_told("verdict", "status", "Verdict", "polite", "at least 11.8 V wanted").await;
    browser.is_told("alarms", "list", "Alarms", "assertive", "").await;
    browser.is_told("link", "status", "", "polite", "1 of 1 meter").await;
    for (id, name) in [("ledger", "What was done"), ("channels", "Channels"), ("meters", "Meters")] {
        browser.is_told(id, "list", name, "", "").await;
    }

    // While the reading runs nothing is said by itself, also as the page asks for the state again.
    assert!(browser.value(LISTEN).await.as_u64().unwrap() >= 6);
    let mut volts = 1200;
    while browser.value("return refreshed >= 2 && shown >= 30").await != json!(true) {
        volts += 1;
        meter.line(&format!("{}.{:02} V", volts / 100, volts % 100));
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    assert_eq!(browser.value("return told").await, json!([]), "the reading is not said by itself");

    // The verdict is said once, and so are the next step and its question.
    browser.tap("take").await;
    browser.until("verdict", "● in limit").await;
    assert_eq!(browser.announced("verdict").await.len(), 1, "{:?}", browser.value("return told").await);
    browser.tap("next").await;
    browser.until("sentence", "Is there oil in the plug?").await;
    browser.until("take", "yes").await;
    assert_eq!(browser.announced("sentence").await, ["Is there oil in the plug?"]);
    browser.is_told("take", "button", "yes", "", "yes").await;
    browser.is_told("again", "button", "no", "", "no").await;

    // An alarm is said as it comes, and not again with each look at the state.
    meter.unplug();
    browser.until("alarms", "handheld").await;
    browser.value("window.refreshed = 0").await;
    browser.until_value("two looks at the state", "return refreshed >= 2").await;
    let alarms = browser.announced("alarms").await;
    assert_eq!(alarms.len(), 1, "{alarms:?}");
    browser.is_told("alarms", "list", "Alarms", "assertive", "meter \"handheld\" is not there").await;
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
