//! A visit by the keyboard alone, and the keys of a presenter or foot switch as they are chosen on the page. Targets of the
//! operator's acts are measured: 48 px at least, as a gloved finger wants (common practice, no source; WCAG 2.2, 2.5.8 asks for 24).

use fantoccini::{Locator, key::Key};
use serde_json::{Value, json};

use super::{Browser, visit::TERMINALS};
use crate::harness::{Bay, Daemon, Display, HANDHELD, text};

/// What has the focus: its name, how wide its outline is, and whether all of it is in view.
const FOCUS: &str = "
    const node = document.activeElement;
    const seen = node.closest('.key') ?? node;
    const { top, bottom } = seen.getBoundingClientRect();
    return [node.id || node.textContent.trim(), parseFloat(getComputedStyle(seen).outlineWidth), top >= 0 && bottom <= innerHeight];";

/// The targets of a page that are smaller than 48 px; a box to tick is as large as its words.
pub(super) const SMALL_TARGETS: &str = "
    return [...document.querySelectorAll('button, summary, input, select, textarea, a, .key')]
        .map((node) => [node.id || node.textContent, (node.type === 'checkbox' ? node.labels[0] : node).getBoundingClientRect()])
        .filter(([, { width, height }]) => width > 0 && (width < 48 || height < 48))
        .map(([name, { width, height }]) => `${name}: ${width} x ${height}`);";

async fn visit(bay: &Bay, browser: &Browser) -> Daemon {
    let terminals = bay.write("terminals.toml", TERMINALS);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--procedure", text(&terminals)]);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    browser.client.goto(&link).await.unwrap();
    browser.until("sentence", "Red lead on the lift feed pin").await;
    daemon
}

impl Browser {
    /// Tabs on to the next element, which must be this one, in view and with a visible focus.
    async fn tabs_to(&self, name: &str) {
        self.type_here(&Key::Tab.to_string()).await;
        self.has_focus(name).await;
    }

    async fn has_focus(&self, name: &str) {
        let focus = self.value(FOCUS).await;
        assert_eq!(focus[0], json!(name), "the focus is elsewhere: {focus}");
        assert!(focus[1].as_f64().unwrap() >= 3.0, "{name} shows no focus: {focus}");
        assert_eq!(focus[2], json!(true), "{name} is out of view: {focus}");
    }
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_visit_is_done_by_the_keyboard_alone() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "9.53 V");
    let browser = Browser::start(&bay.path("profile")).await;
    let mut daemon = visit(&bay, &browser).await;
    browser.until("figure", "9.53").await;
    browser.picture("keyboard", 360, 740).await;

    // What a screen reader says by itself as it changes.
    for (id, live) in [("sentence", "polite"), ("waits", "polite"), ("alarms", "assertive")] {
        let element = browser.client.find(Locator::Id(id)).await.unwrap();
        assert_eq!(element.attr("aria-live").await.unwrap().as_deref(), Some(live), "{id}");
    }
    for id in ["verdict", "hint", "link"] {
        let element = browser.client.find(Locator::Id(id)).await.unwrap();
        assert_eq!(element.attr("role").await.unwrap().as_deref(), Some("status"), "{id}");
    }

    // In the order in which they stand, from the first.
    for name in ["again", "take"] {
        browser.tabs_to(name).await;
    }
    browser.type_here(&Key::Enter.to_string()).await;
    browser.until("verdict", "■ out of limit").await;
    for name in ["next", "more"] {
        browser.tabs_to(name).await;
    }
    browser.picture("focus", 360, 740).await;
    browser.type_here(" ").await;
    for name in ["undo", "skip", "back", "zero", "text"] {
        browser.tabs_to(name).await;
    }
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]));
    browser.type_here("oil on the plug").await;
    for name in ["mark", "keep note", "photo", "voice", "tones", "screen", "room"] {
        browser.tabs_to(name).await;
    }
    browser.tabs_to("keys of a presenter or foot switch").await;
    browser.type_here(&Key::Enter.to_string()).await;
    for act in ["take, yes: space or enter", "next: page down", "again, no: page up", "back: no key", "skip: no key"] {
        browser.tabs_to(act).await;
    }
    for act in ["mark: no key", "undo: no key", "usual-keys", "correct machine, job, temperatures"] {
        browser.tabs_to(act).await;
    }
    browser.type_here(&Key::Enter.to_string()).await;
    for name in ["machine", "job", "vin", "counter", "complaint", "ambient_c", "part_c", "state", "by"] {
        browser.tabs_to(&format!("c-{name}")).await;
    }
    browser.tabs_to("correct").await;
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]));
    for name in ["end", "set up, begin", "past sessions"] {
        browser.tabs_to(name).await;
    }

    // Escape puts the menu away, and the focus where it came from; the typed note is still there.
    browser.type_here(&Key::Escape.to_string()).await;
    browser.has_focus("more").await;
    browser.type_here(" ").await;
    for name in ["undo", "skip", "back", "zero", "text"] {
        browser.tabs_to(name).await;
    }
    browser.type_here(&Key::Enter.to_string()).await;
    browser.until("hint", "kept: oil on the plug").await;
    daemon.until("the step still on", |status| status["step"]["name"] == "feed, lift coil");
    drop(probe);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"), ["oil on the plug"]);
    browser.client.clone().close().await.unwrap();
}

impl Browser {
    /// Opens the menu and presses the button of an act, so that it waits for a key.
    async fn learn(&self, act: &str) {
        self.client.find(Locator::Css(&format!("[data-act={act}]"))).await.unwrap().click().await.unwrap();
        self.until("key-said", &format!("Press the key for {act}.")).await;
    }

    async fn keys(&self) -> Value {
        self.value("return [...document.querySelectorAll('[data-act]')].map((node) => node.textContent)").await
    }
}

const USUAL: [&str; 7] = [
    "take, yes: space or enter",
    "next: page down",
    "again, no: page up",
    "back: no key",
    "skip: no key",
    "mark: no key",
    "undo: no key",
];

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn the_keys_of_a_foot_switch_are_chosen_by_pressing_them() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "9.53 V");
    let browser = Browser::start(&bay.path("profile")).await;
    let mut daemon = visit(&bay, &browser).await;
    browser.until("figure", "9.53").await;
    browser.tap("more").await;
    browser.client.find(Locator::Css("#keys summary")).await.unwrap().click().await.unwrap();
    assert_eq!(browser.keys().await, json!(USUAL));

    // A key of a switch that types a letter, a key that something else has, one that is taken away, and one that stays.
    browser.learn("take").await;
    browser.picture("keys", 360, 740).await;
    browser.is_accessible("keys").await;
    browser.type_here("b").await;
    browser.until("key-said", "B is take now.").await;
    browser.learn("next").await;
    browser.type_here(" ").await;
    browser.until("key-said", "space is next now, and not take any more.").await;
    browser.learn("again").await;
    browser.type_here(&Key::PageUp.to_string()).await;
    browser.until("key-said", "page up does nothing now.").await;
    browser.learn("undo").await;
    browser.type_here(&Key::Escape.to_string()).await;
    let chosen = ["take, yes: enter or B", "next: space or page down", "again, no: no key", "back: no key"];
    let shown = browser.keys().await;
    for (index, words) in chosen.iter().enumerate() {
        assert_eq!(shown[index], json!(words), "{shown}");
    }
    assert_eq!(shown[6], json!("undo: no key"));

    // They work, and are still there when the page is opened again.
    browser.client.refresh().await.unwrap();
    browser.until("figure", "9.53").await;
    browser.press(Key::PageUp).await;
    browser.client.find(Locator::Css("body")).await.unwrap().send_keys("b").await.unwrap();
    browser.until("verdict", "■ out of limit").await;
    browser.client.find(Locator::Css("body")).await.unwrap().send_keys(" ").await.unwrap();
    browser.until("step", "feed, tilt coil, step 2 of 2").await;
    browser.tap("more").await;
    browser.client.find(Locator::Css("#keys summary")).await.unwrap().click().await.unwrap();
    browser.tap("usual-keys").await;
    browser.until("key-said", "The usual keys are back.").await;
    assert_eq!(browser.keys().await, json!(USUAL));
    daemon.until("one step left", |status| status["step"]["number"] == 2);
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
