//! Proves the screen of `bayline watch` on a terminal, as an emulated terminal of another author shows it (crate vt100): what the step
//! needs is there at every size, and keys work the session.

use std::{
    fs::File,
    io::{BufRead, BufReader, Read, Write},
    num::NonZero,
    os::fd::OwnedFd,
    process::{Child, Stdio},
    sync::{Arc, Mutex},
    thread,
};

use nix::{
    pty::{Winsize, openpty},
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use serde_json::json;

use crate::harness::{Bay, Display, HANDHELD, text, until};

const STEPS: &str = r#"
title = "Lift circuit"

[[step]]
name = "feed, lift coil"
circuit = "lift coil"
do = "Key on, connector unplugged. Red lead on the lift feed pin, black lead on battery negative."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"

[[step]]
name = "plug, lift coil"
do = "Is the plug clean and dry?"
answer = "yes"

[[step]]
name = "ground drop, lift coil"
circuit = "lift coil"
do = "Black lead on battery negative, red lead on the ground pin."
channel = "probe"
quantity = "V DC"
at_most = "100 mV"
"#;

/// `bayline watch` on a terminal of its own.
struct Screen {
    process: Child,
    keyboard: File,
    parser: Arc<Mutex<vt100::Parser>>,
}

impl Screen {
    fn open(bay: &Bay, columns: u16, rows: u16) -> Self {
        let size = Winsize { ws_row: rows, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 };
        let pair = openpty(Some(&size), None).unwrap();
        let end = |fd: &OwnedFd| Stdio::from(fd.try_clone().unwrap());
        let mut command = bay.command(["watch"]);
        command.env("TERM", "xterm-256color").env_remove("NO_COLOR");
        let process =
            command.stdin(end(&pair.slave)).stdout(end(&pair.slave)).stderr(end(&pair.slave)).spawn().unwrap();
        drop(command);
        drop(pair.slave);
        let parser =
            Arc::new(Mutex::new(vt100::Parser::new(NonZero::new(rows).unwrap(), NonZero::new(columns).unwrap(), 0)));
        let mut output = File::from(pair.master.try_clone().unwrap());
        let shown = parser.clone();
        thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(length @ 1..) = output.read(&mut bytes) {
                shown.lock().unwrap().process(&bytes[..length]);
            }
        });
        Self { process, keyboard: File::from(pair.master), parser }
    }

    fn text(&self) -> String {
        self.parser.lock().unwrap().screen().contents()
    }

    fn until(&self, what: &str, wanted: impl Fn(&str) -> bool) -> String {
        until(what, || {
            let text = self.text();
            if wanted(&text) { Ok(text) } else { Err(text) }
        })
    }

    fn keys(&mut self, keys: &str) {
        self.keyboard.write_all(keys.as_bytes()).unwrap();
    }

    /// Ends it by its key; the terminal is as it was before.
    fn quit(mut self) {
        self.keys("q");
        self.is_restored();
    }

    /// It ends well, and the terminal is as it was before.
    fn is_restored(&mut self) {
        assert!(self.process.wait().unwrap().success());
        until("the usual screen is back", || {
            if self.parser.lock().unwrap().screen().alternate_screen() { Err("the other one") } else { Ok(()) }
        });
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

#[test]
fn a_signal_leaves_the_terminal_as_it_was() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "12.41 V");
    let daemon = bay.start();
    for signal in [Signal::SIGTERM, Signal::SIGINT] {
        let mut screen = Screen::open(&bay, 80, 24);
        screen.until("the reading", |text| text.contains("12.41 V"));
        let process = Pid::from_raw(i32::try_from(screen.process.id()).unwrap());
        kill(process, signal).unwrap();
        screen.is_restored();
    }
    daemon.stop();
}

#[test]
fn the_step_its_reading_and_its_limit_are_there_at_every_size() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "0.003 V");
    let procedure = bay.write("p.toml", STEPS);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure), "--machine", "loader 7", "--job", "A-113"]);
    probe.shows("12.41 V");
    daemon.until("the reading", |status| status["readings"][0]["value"] == 12.41);
    for (columns, rows) in [(40, 20), (80, 24), (120, 40), (40, 10), (24, 8)] {
        let screen = Screen::open(&bay, columns, rows);
        let mut wanted = vec!["12.41 V", "● in limit", "probe: at least 11.8", "Key on"];
        if rows >= 20 {
            wanted.extend([
                "loader 7 · A-113",
                "1 of 1 meters",
                "step 1 of 3",
                "feed, lift coil",
                "n next",
                "space take",
            ]);
            if columns < 100 {
                wanted.push("Red lead on the lift feed pin, black lead on battery negative.");
            }
        }
        // All at once: a terminal may read one drawing in pieces. The sentence goes on across lines.
        screen.until(&format!("{wanted:?} at {columns}×{rows}"), |text| {
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            wanted.iter().all(|wanted| text.contains(wanted) || words.contains(wanted))
        });
        screen.quit();
    }
    daemon.stop();
}

#[test]
fn keys_take_answer_mark_and_go_on_and_a_refusal_is_shown() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "0.003 V");
    let procedure = bay.write("p.toml", STEPS);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    probe.shows("12.41 V");
    daemon.until("the reading", |status| status["readings"][0]["value"] == 12.41);
    let mut screen = Screen::open(&bay, 80, 24);
    screen.until("the screen", |text| text.contains("● in limit"));
    screen.keys(" ");
    screen.until("the capture in the ledger", |text| {
        text.lines()
            .any(|line| line.contains("● feed, lift coil") && line.contains("12.41 V") && line.contains("in limit"))
    });
    screen.keys("n");
    screen.until("the question", |text| text.contains("Is the plug clean and dry?") && text.contains("space yes"));
    screen.keys(" ");
    screen.until("the answer", |text| {
        text.lines().any(|line| line.contains("● plug, lift coil") && line.contains("yes"))
    });
    screen.keys("n");
    screen.until("the drop", |text| text.contains("ground drop, lift coil") && text.contains("step 3 of 3"));
    screen.until("the verdict of the drop", |text| text.contains("■ out of limit"));
    screen.keys("mbrake released\r");
    let mut ears = bay.client().watch();
    bay.kept().until("SELECT subject, text FROM event WHERE kind = 'mark'", &["watch | brake released"]);
    // What another one does is there too.
    bay.bayline(["step", "back"]).done();
    ears.began("plug, lift coil");
    screen.until("the step of another client", |text| text.contains("Is the plug clean and dry?"));
    screen.keys("n");
    screen.until("the drop again", |text| text.contains("step 3 of 3"));
    probe.shows("OL ohm");
    screen.until("the wrong function", |text| text.contains("wrong function") || text.contains("switch it to V DC"));
    screen.keys("t");
    screen.until("the refusal", |text| text.contains("can't be taken"));
    screen.quit();
    daemon.stop();
}

#[test]
fn the_end_of_the_daemon_gives_the_terminal_back() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "12.41 V");
    let daemon = bay.start();
    let mut screen = Screen::open(&bay, 80, 24);
    screen.until("the screen", |text| text.contains("q quit"));
    daemon.stop();
    assert!(screen.process.wait().unwrap().success());
    screen.until("the last line", |text| text.contains("the daemon has stopped"));
}

#[test]
fn lines_are_printed_where_they_are_piped_or_asked_for() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "12.41 V");
    let procedure = bay.write("p.toml", STEPS);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    let mut process = bay.command(["watch"]).stdout(Stdio::piped()).spawn().unwrap();
    let mut printed = BufReader::new(process.stdout.take().unwrap());
    let mut lines = String::new();
    while !lines.contains("step 1 of 3: feed, lift coil\n") {
        assert_ne!(printed.read_line(&mut lines).unwrap(), 0, "{lines}");
    }
    daemon.ask(json!({"do": "step", "to": "next"}));
    while !lines.contains("step 2 of 3") {
        assert_ne!(printed.read_line(&mut lines).unwrap(), 0, "{lines}");
    }
    daemon.stop();
    printed.read_to_string(&mut lines).unwrap();
    assert!(process.wait().unwrap().success());
    assert!(!lines.contains("\u{1b}["), "no control sequences: {lines:?}");
}
