//! The computer's own voice: a speech program that is found, one that is not, and who speaks where pages do too.

use std::{fs, os::unix::fs::PermissionsExt, path::Path};

use serde_json::json;

use crate::harness::{Bay, Display, HANDHELD, text, until};

const STEPS: &str = r#"
title = "Terminal after terminal"
advance = "lifted"

[[step]]
name = "feed, lift coil"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"

[[step]]
name = "feed, tilt coil"
circuit = "tilt coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"
"#;

/// A folder with a speech program that writes down what it says.
fn speech_program(bay: &Bay) -> std::path::PathBuf {
    let folder = bay.path("bin");
    fs::create_dir_all(&folder).unwrap();
    let program = folder.join("espeak-ng");
    let script = format!("#!/bin/sh\nprintf '%s|%s\\n' \"$BAYLINE_KIND\" \"$2\" >> {}\n", text(&bay.path("spoken")));
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    folder
}

fn spoken_until(path: &Path, what: &str) -> String {
    let mut last = String::new();
    until(what, || {
        last = fs::read_to_string(path).unwrap_or_default();
        if last.contains(what) { Ok(()) } else { Err(last.clone()) }
    });
    last
}

#[test]
fn the_speech_program_of_the_path_says_words_and_a_tapped_page_takes_over() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "0.003 V");
    let procedure = bay.write("p.toml", STEPS);
    let folder = speech_program(&bay);
    let mut command = bay.command(["run", "--bench", "bench.toml", "--say", "--procedure", text(&procedure)]);
    // The scripts of the test need the usual programs, which stand behind.
    command.env("PATH", format!("{}:/usr/bin:/bin", text(&folder)));
    let mut daemon = bay.launch(command);
    let log = daemon.log();
    assert!(log.lock().unwrap().contains("announcements are spoken by"), "{}", log.lock().unwrap());
    let mut ears = bay.client().watch();
    assert_eq!(daemon.status()["speaker"], "say");

    probe.shows("12.41 V");
    let heard = ears.heard("what is said of a capture", |news| news["news"] == "captured");
    let words = "Feed, lift coil, twelve point four volts, in limit.";
    assert_eq!(heard["spoken"], json!({"kind": "captured", "words": words}));
    spoken_until(&bay.path("spoken"), &format!("captured|{words}\n"));

    // A page is tapped: it alone speaks.
    daemon.ask(json!({"do": "speaker", "name": "page-1"}));
    ears.heard("who speaks", |news| news["news"] == "speaker" && news["name"] == "page-1");
    assert_eq!(daemon.status()["speaker"], "page-1");
    probe.shows("0.002 V");
    let next = ears.heard("the next step", |news| news["news"] == "step");
    assert_eq!(next["spoken"]["words"], "Next: feed, tilt coil.");
    daemon.ask(json!({"do": "speaker", "name": ""}));
    ears.heard("who speaks", |news| news["news"] == "speaker" && news["name"] == "say");
    bay.bayline(["step", "back"]).done();
    let spoken = spoken_until(&bay.path("spoken"), "step|Again: feed, lift coil.\n");
    assert!(!spoken.contains("tilt coil"), "while the page spoke: {spoken}");
    daemon.stop();
}

#[test]
fn without_a_speech_program_it_is_told_and_the_bell_stands_in() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "0.003 V");
    let mut command = bay.command(["run", "--bench", "bench.toml", "--say"]);
    command.env("PATH", text(&bay.path("nothing here")));
    let daemon = bay.launch(command);
    let log = daemon.log();
    let log = log.lock().unwrap().clone();
    assert!(log.contains("no speech program was found, looked for spd-say, espeak-ng, say; the bell"), "{log}");
    daemon.stop();
}
