//! Drives the live page in a real browser, a story a file: a visit, a dead terminal proven by the leads, a cable and a connection
//! that break, keys and keyboard, what a screen reader is told, setting up, a past drive, the sheet on paper, the screen that stays on. Needs `chromium` and `chromedriver`; `.ci/run` installs them and runs this by
//! `cargo test --test whole -- --ignored browser`. Screenshots are left in `target/page`.

mod awake;
mod broken;
mod drive;
mod keyboard;
mod leads;
mod reader;
mod setup;
mod sheet;
mod visit;

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write},
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::Duration,
};

use fantoccini::{
    Client, ClientBuilder, Locator,
    actions::{InputSource as _, KeyAction, KeyActions},
    key::Key,
};
use serde_json::{Value, json};

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
        Self::start_with(profile, None).await
    }

    /// With one more argument. It accepts the certificate that the daemon made, as a person does who compared its fingerprint.
    async fn start_with(profile: &Path, argument: Option<&str>) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed (Debian: chromium-driver)");
        let user_data = format!("--user-data-dir={}", profile.display());
        let mut arguments = vec![
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            &user_data,
        ];
        arguments.extend(argument);
        let capabilities = json!({ "goog:chromeOptions": { "args": arguments }, "acceptInsecureCerts": true });
        let capabilities = capabilities.as_object().unwrap().clone();
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

    /// Waits until an element shows this no more.
    async fn until_gone(&self, id: &str, unwanted: &str) {
        let waited = tokio::time::timeout(PATIENCE, async {
            while self.text(id).await.contains(unwanted) {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        });
        assert!(waited.await.is_ok(), "#{id} still shows \"{unwanted}\"");
    }

    /// What a script returns.
    async fn value(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.unwrap()
    }

    /// Switches the voice on, and keeps what it is given to say in `said`.
    async fn listen(&self) {
        self.value(RECORD_SPEECH).await;
        self.tap("more").await;
        self.tap("voice").await;
        self.until("voice", "voice is on").await;
        self.tap("more").await;
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

    /// Presses keys where the focus is.
    async fn type_here(&self, keys: &str) {
        let strokes = keys.chars().flat_map(|value| [KeyAction::Down { value }, KeyAction::Up { value }]);
        let strokes = strokes.fold(KeyActions::new("keyboard".to_owned()), KeyActions::then);
        self.client.perform_actions(strokes).await.unwrap();
    }

    /// A command of the browser's own protocol, by the driver.
    async fn command(&self, command: &str, parameters: Value) -> Value {
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
        serde_json::from_slice::<Value>(&answer).unwrap()["value"].take()
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
