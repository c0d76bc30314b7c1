//! The screen that stays on: by the browser's wake lock where the page is encrypted or on this computer, by a video where it is not, and
//! the page says which.

use fantoccini::Locator;
use serde_json::{Value, json};

use super::Browser;
use crate::harness::{Bay, Daemon, HANDHELD};

/// An address of a documentation network (RFC 5737), which the browser is told to find at this computer: a page there is as far
/// from a secure context as one in a shop.
const ELSEWHERE: &str = "192.0.2.7";

/// A link for the shop's network.
fn network_link(daemon: &mut Daemon) -> String {
    let answer = daemon.ask(json!({ "do": "link", "name": "phone", "onlooker": false }));
    answer["links"][0]["address"].as_str().unwrap().to_owned()
}

impl Browser {
    /// Taps the button that keeps the screen on, and waits until the page says by what.
    async fn holds_the_screen(&self, words: &str) {
        self.until("link", "meter").await;
        self.tap("more").await;
        self.until("awake", "The screen may go dark.").await;
        self.tap("screen").await;
        self.until("awake", words).await;
        let button = self.client.find(Locator::Id("screen")).await.unwrap();
        assert_eq!(button.attr("aria-pressed").await.unwrap().as_deref(), Some("true"));
    }

    async fn lets_the_screen_go(&self) {
        self.tap("screen").await;
        self.until("awake", "The screen may go dark.").await;
        let button = self.client.find(Locator::Id("screen")).await.unwrap();
        assert_eq!(button.attr("aria-pressed").await.unwrap().as_deref(), Some("false"));
    }
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn an_encrypted_page_takes_the_wake_lock() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--listen", "127.0.0.1:0", "--https"]);
    let link = network_link(&mut daemon).replace("127.0.0.1", ELSEWHERE);
    assert!(link.starts_with("https://"), "{link}");
    let found_here = format!("--host-resolver-rules=MAP {ELSEWHERE} 127.0.0.1");
    let browser = Browser::start_with(&bay.path("profile"), Some(&found_here)).await;
    browser.client.goto(&link).await.unwrap();
    assert_eq!(browser.value("return isSecureContext").await, json!(true));
    browser.value("window.locks = []; const ask = navigator.wakeLock.request.bind(navigator.wakeLock); navigator.wakeLock.request = async (kind) => { const lock = await ask(kind); locks.push(lock); return lock; };").await;
    browser.holds_the_screen("The screen is held awake by the browser's wake lock.").await;
    assert_eq!(
        browser.value("return locks.map(({ type, released }) => [type, released])").await,
        json!([["screen", false]])
    );
    browser.lets_the_screen_go().await;
    assert_eq!(browser.value("return locks[0].released").await, json!(true));
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_plain_page_of_the_network_says_that_a_video_holds_the_screen() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--listen", "127.0.0.1:0"]);
    let link = network_link(&mut daemon).replace("127.0.0.1", ELSEWHERE);
    assert!(link.starts_with("http://"), "{link}");
    let found_here = format!("--host-resolver-rules=MAP {ELSEWHERE} 127.0.0.1");
    let browser = Browser::start_with(&bay.path("profile"), Some(&found_here)).await;
    browser.client.goto(&link).await.unwrap();
    assert_eq!(
        browser.value("return [isSecureContext, 'wakeLock' in navigator]").await,
        json!([false, false]),
        "there is no wake lock here"
    );
    // The video is in no document: it is found as it is made.
    browser.value("window.videos = []; const make = document.createElement.bind(document); document.createElement = (name) => { const node = make(name); if (name === 'video') videos.push(node); return node; };").await;
    browser.holds_the_screen("a silent video plays").await;
    browser.picture("awake-plain", 360, 740).await;
    // It goes on for longer than its own end: it is looped by seeking.
    let seeks = "const done = arguments[0]; let seeks = 0; videos[0].addEventListener('seeked', () => { seeks += 1; if (seeks === 2) done([videos[0].paused, videos[0].error]); });";
    let looped: Value = browser.client.execute_async(seeks, Vec::new()).await.unwrap();
    assert_eq!(looped, json!([false, null]));
    browser.lets_the_screen_go().await;
    assert_eq!(browser.value("return videos[0].paused").await, json!(true));
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
