//! A dead terminal, proven from the leads: the question stands in the sentence's place, touch by touch, and what comes of it
//! stays to be read after the next step has begun. Limits and times are common practice, no source.

use super::Browser;
use crate::{
    harness::{Bay, Display, HANDHELD, text},
    proof::{QUICK, feed},
};

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_dead_terminal_is_proven_from_the_leads_on_the_page() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "");
    let steps = feed("lift feed") + &feed("tilt feed");
    let procedure = format!("title = \"By the leads\"\nadvance = \"lifted\"\n{QUICK}\n{steps}");
    let procedure = bay.write("p.toml", &procedure);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--procedure", text(&procedure)]);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();
    browser.until("step", "lift feed, step 1 of 2").await;
    browser.listen().await;

    probe.shows("0.002 V");
    browser.until("sentence", "Nothing at lift feed. If the lead is on the pin, touch battery plus.").await;
    browser.until("waits", "waits for 10 to 15.5 V, or 20 to 31 V").await;
    browser.until_said("Nothing at lift feed.").await;
    assert_eq!(browser.value("return document.getElementById('sentence').className").await, "ask");
    browser.picture("question", 360, 740).await;
    browser.is_accessible("question").await;

    probe.shows("12.61 V");
    browser.until("sentence", "Meter good, twelve point six. Back to the pin, hold.").await;
    probe.shows("0.003 V");
    browser.until("sentence", "Battery plus again.").await;
    probe.shows("12.62 V");
    browser.until("sentence", "Good. Lift off battery plus.").await;
    probe.shows("0.001 V");

    // The next step is on at once; what came of the last one is still there, and in the ledger.
    browser.until("hint", "lift feed: ■ out of limit").await;
    browser.until("step", "tilt feed, step 2 of 2").await;
    browser.picture("after-the-question", 360, 740).await;
    probe.shows("12.5 V");
    browser.until("verdict", "● in limit").await;
    assert_eq!(browser.value("return document.getElementById('sentence').className").await, "");
    browser.until("ledger", "out of limit").await;
    browser.until_said("Dead, proven both sides.").await;
    browser.until_said("Lift feed, three millivolts, out of limit, twelve volts too little.").await;
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT name, verdict FROM step ORDER BY number"),
        ["lift feed | out of limit", "tilt feed | in limit"]
    );
    browser.client.clone().close().await.unwrap();
}
