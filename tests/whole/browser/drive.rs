//! Proves on the page that a past drive opens as one picture, that a flag leads to its samples in all plots, by pointer and by key,
//! and that all of it comes back. Pictures of it on a desk, on a projector, on a phone, and of the sheet are left in `target/page`.

use std::{fs, time::Duration};

use fantoccini::Locator;
use serde_json::json;

use super::{Browser, is_valid, keyboard::SMALL_TARGETS};
use crate::{drive_picture::driven, harness::text};

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn in_the_browser_a_flag_leads_to_its_samples() {
    let (bay, mut daemon) = driven();
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();
    browser.until("visit", "").await;
    let host = &link[..link.find("/#").unwrap()];
    browser.client.goto(&format!("{host}/past?id=last")).await.unwrap();
    browser.until("stretch", "0:00").await;
    browser.until("plots", "tilt coil").await;
    let script = |text: &'static str| browser.client.execute(text, Vec::new());
    let order =
        script("return [...document.querySelectorAll('#plots strong')].map((name) => name.textContent).join()").await;
    assert_eq!(order.unwrap(), "road speed,supply,lift coil,tilt coil");
    let whole = browser.text("stretch").await;
    browser.picture("drive", 1280, 1800).await;
    browser.is_accessible("drive").await;
    browser.picture("drive-projector", 1920, 1080).await;
    browser.picture("drive-phone", 360, 1800).await;
    browser.is_accessible("drive-phone").await;
    assert_eq!(browser.value(SMALL_TARGETS).await, json!([]), "a glove hits all of it");
    // No flag covers another.
    let flags = "return [...document.querySelectorAll('#lane button')].map((flag) => flag.getBoundingClientRect()).every(({ left }, index, all) => index === 0 || left >= all[index - 1].right)";
    assert_eq!(browser.value(flags).await, json!(true));
    let overflow = script("return document.documentElement.scrollWidth <= innerWidth").await.unwrap();
    assert_eq!(overflow, true, "the page is not wider than the phone");

    // Each flag stands in the list with its time and what the others showed; its button works by key.
    let list = browser.text("flags").await;
    assert!(
        list.contains("tilt coil dropped out") && list.contains("the others then:") && list.contains("supply 13.80 V"),
        "{list}"
    );
    let button = "//ol[@id='flags']/li[contains(., 'dropped out')]/button";
    let button = browser.client.find(Locator::XPath(button)).await.unwrap();
    button.send_keys("\u{e007}").await.unwrap();
    browser.until("stretch", "single samples").await;
    browser.until("said", "tilt coil dropped out").await;
    let single =
        script("return [...document.querySelectorAll('.plot')].map((plot) => plot.dataset.samples).join()").await;
    assert_eq!(single.unwrap(), "single,single,single,single");
    let seen = script("const { top, bottom } = document.querySelector('#plots canvas').getBoundingClientRect(); return top >= document.querySelector('#lane').getBoundingClientRect().bottom && bottom <= innerHeight").await;
    assert_eq!(seen.unwrap(), true, "the plots are in view, below the flags");
    let zoomed = browser.text("stretch").await;
    assert_ne!(zoomed, whole);
    browser.picture("drive-flag", 1280, 1800).await;
    browser.is_accessible("drive-flag").await;
    browser.picture("drive-flag-phone", 360, 1200).await;

    // The flag over the plots does the same, and all of it comes back.
    browser.tap("wider").await;
    browser.tap("whole").await;
    browser.until("stretch", &whole).await;
    browser.client.find(Locator::Css("#lane button")).await.unwrap().click().await.unwrap();
    let moved = tokio::time::timeout(Duration::from_secs(20), async {
        while browser.text("stretch").await == whole {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    moved.await.expect("the flag shows another stretch");
    for page in ["sheet", "full"] {
        let page = if page == "full" { &["report", "last", "--full"][..] } else { &["report", "last"] };
        is_valid("drive-sheet", &bay.bayline(page).done());
    }
    let sheet = bay.path("full.html");
    bay.bayline(["report", "last", "--full", "-o", text(&sheet)]).done();
    browser.client.goto(&format!("file://{}", sheet.display())).await.unwrap();
    browser.picture("drive-sheet", 794, 2600).await;
    fs::remove_file(sheet).unwrap();
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
