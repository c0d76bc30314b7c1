//! Drives the live page in a real browser through a visit. Needs `chromium` and `chromedriver`; `.ci/run` installs them and
//! runs this by `cargo test --test whole -- --ignored browser`. Screenshots are left in `target/page`.

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write},
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::Duration,
};

use fantoccini::{Client, ClientBuilder, Locator, key::Key};
use serde_json::{Value, json};

use crate::{
    harness::{Bay, Display, HANDHELD, text},
    page::Page,
};

const TERMINALS: &str = r#"
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

/// This machine has no voices: what is to be spoken is kept in `said`.
const RECORD_SPEECH: &str = "window.said = [];
    speechSynthesis.speak = (utterance) => { said.push(utterance.text); setTimeout(() => utterance.onend(), 10); };";

/// What axe calls a violation: its rule, and the elements.
const FIND_BARRIERS: &str = "const done = arguments[0];
    axe.run(document).then(({ violations }) =>
        done(violations.map(({ id, nodes }) => [id, nodes.map(({ target, failureSummary }) => `${target}: ${failureSummary}`)])));";

/// The folder of axe-core and html-validate, which `.ci/run` installs; none where they are not installed, which is told. CI must not
/// skip what they check.
fn page_checks() -> Option<PathBuf> {
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap();
    let checks = target.join("page-checks/node_modules");
    if checks.join("axe-core/axe.min.js").exists() {
        return Some(checks);
    }
    assert!(std::env::var_os("CI").is_none(), "{} is missing; .ci/run installs it by npm", checks.display());
    let _ = writeln!(std::io::stderr(), "axe and html-validate are skipped: npm did not install them; .ci/run does");
    None
}

/// What html-validate (its recommended rules) finds in a page.
fn is_valid(name: &str, html: &str) {
    let Some(checks) = page_checks() else { return };
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(".htmlvalidate.json"), r#"{"root":true,"extends":["html-validate:recommended"]}"#)
        .unwrap();
    let path = folder.path().join(format!("{name}.html"));
    fs::write(&path, html).unwrap();
    let found = Command::new(checks.join(".bin/html-validate")).arg(&path).output().expect("node is installed");
    assert!(
        found.status.success(),
        "{name}: {}{}",
        String::from_utf8_lossy(&found.stdout),
        String::from_utf8_lossy(&found.stderr)
    );
}

/// When the first figure was shown, ms after the navigation began (W3C User Timing).
const FIRST_FIGURE: &str = "return performance.getEntriesByName('figure')[0].startTime";

/// How long the page has to show something.
const PATIENCE: Duration = Duration::from_secs(20);

/// A browser, and the driver that ends with it.
struct Browser {
    client: Client,
    driver: Child,
    port: u16,
}

impl Browser {
    async fn start(profile: &Path) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed (Debian: chromium-driver)");
        let arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            &format!("--user-data-dir={}", profile.display()),
        ];
        let capabilities = json!({ "goog:chromeOptions": { "args": arguments } }).as_object().unwrap().clone();
        let address = format!("http://127.0.0.1:{port}");
        let mut tries = 0;
        let client = loop {
            match ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
                .capabilities(capabilities.clone())
                .connect(&address)
                .await
            {
                Ok(client) => break client,
                Err(error) if tries == 50 => panic!("the browser does not start: {error}"),
                Err(_) => tries += 1,
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        };
        Self { client, driver, port }
    }

    /// The text of an element.
    async fn text(&self, id: &str) -> String {
        // While another page is loaded there is none.
        let Ok(element) = self.client.find(Locator::Id(id)).await else { return String::new() };
        element.text().await.unwrap_or_default()
    }

    /// Waits until an element shows this.
    async fn until(&self, id: &str, wanted: &str) {
        let waited = tokio::time::timeout(PATIENCE, async {
            while !self.text(id).await.contains(wanted) {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        });
        if waited.await.is_err() {
            panic!("#{id} was to show \"{wanted}\", but shows \"{}\"", self.text(id).await);
        }
    }

    /// Waits until this is said.
    async fn until_said(&self, wanted: &str) {
        let mut said = String::new();
        let waited = tokio::time::timeout(PATIENCE, async {
            while !said.contains(wanted) {
                tokio::time::sleep(Duration::from_millis(50)).await;
                said = self.client.execute("return window.said.join('|')", Vec::new()).await.unwrap().to_string();
            }
        });
        if waited.await.is_err() {
            panic!("\"{wanted}\" was to be said, but {said} was");
        }
    }

    async fn tap(&self, id: &str) {
        self.client.find(Locator::Id(id)).await.unwrap().click().await.unwrap();
    }

    async fn press(&self, key: Key) {
        let body = self.client.find(Locator::Css("body")).await.unwrap();
        body.send_keys(&key.to_string()).await.unwrap();
    }

    /// A command of the browser's own protocol, by the driver.
    async fn command(&self, command: &str, parameters: Value) {
        let session = self.client.session_id().await.unwrap().unwrap();
        let body = json!({ "cmd": command, "params": parameters }).to_string();
        let head = format!(
            "POST /session/{session}/goog/cdp/execute HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\n\
             content-length: {}\r\nconnection: close\r\n\r\n",
            body.len()
        );
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.write_all((head + &body).as_bytes()).unwrap();
        // The driver keeps the connection open: the answer is over after so many bytes.
        let mut lines = BufReader::new(stream);
        let mut head = String::new();
        while !head.ends_with("\r\n\r\n") {
            assert!(lines.read_line(&mut head).unwrap() > 0, "{command}: {head}");
        }
        let length =
            head.to_lowercase().lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse().ok());
        let mut answer = vec![0; length.unwrap_or(0)];
        lines.read_exact(&mut answer).unwrap();
        assert!(head.starts_with("HTTP/1.1 200"), "{command}: {}", String::from_utf8_lossy(&answer));
    }

    /// What axe (WCAG 2.2 A and AA, and its good practice) finds on the page as it is, in the light and in the dark scheme.
    async fn is_accessible(&self, name: &str) {
        let Some(checks) = page_checks() else { return };
        let axe = fs::read_to_string(checks.join("axe-core/axe.min.js")).unwrap();
        for scheme in ["light", "dark"] {
            let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
            self.command("Emulation.setEmulatedMedia", features).await;
            self.client.execute(&axe, Vec::new()).await.unwrap();
            let found = self.client.execute_async(FIND_BARRIERS, Vec::new()).await.unwrap();
            assert_eq!(found, json!([]), "{name}, {scheme}");
            self.picture_as_it_is(&format!("{name}-{scheme}")).await;
        }
        self.command("Emulation.setEmulatedMedia", json!({ "features": [] })).await;
    }

    async fn picture(&self, name: &str, width: u32, height: u32) {
        let size = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600 });
        self.command("Emulation.setDeviceMetricsOverride", size).await;
        // A frame, so that what is drawn by script has the new size.
        tokio::time::sleep(Duration::from_millis(300)).await;
        self.picture_as_it_is(name).await;
    }

    async fn picture_as_it_is(&self, name: &str) {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("page");
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join(format!("{name}.png")), self.client.screenshot().await.unwrap()).unwrap();
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Asked to end, the driver ends its browser too; killed, it would leave it running.
        drop(Command::new("kill").arg(self.driver.id().to_string()).status());
        drop(self.driver.wait());
    }
}

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
    assert!(first < 2000.0, "{first} ms");
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
    browser.client.execute(RECORD_SPEECH, Vec::new()).await.unwrap();
    browser.tap("more").await;
    browser.tap("voice").await;
    browser.until("voice", "voice is on").await;
    daemon.until("the page speaks", |status| status["speaker"].as_str().is_some_and(|name| name.starts_with("page-")));
    browser.tap("more").await;

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
        bay.kept().rows("SELECT name, verdict FROM step ORDER BY number"),
        ["feed, lift coil | in limit", "feed, tilt coil | out of limit", "feed, lift coil | out of limit"]
    );
    browser.client.clone().close().await.unwrap();
}

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
    browser.client.find(Locator::Css("#list a")).await.unwrap().click().await.unwrap();
    browser.until("plots", "probe, V DC").await;
    browser.client.wait().at_most(PATIENCE).for_element(Locator::Css("#plots canvas")).await.unwrap();
    browser.picture("past-one", 1280, 1600).await;
    browser.is_accessible("past-one").await;
    browser.picture("past-one-phone", 360, 1600).await;
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
