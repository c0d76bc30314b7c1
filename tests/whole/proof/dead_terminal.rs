//! Nothing on the pin: live, dead, live again.

use std::{fs, os::unix::fs::PermissionsExt};

use serde_json::json;

use super::{Leads, QUICK, feed};
use crate::harness::{Bay, Display, HANDHELD, text};

fn two_feeds() -> String {
    feed("lift feed") + &feed("tilt feed")
}

/// A feed of a circuit of which nothing else is measured.
fn terminal(name: &str) -> String {
    format!("{}circuit = \"{name} coil\"\nrole = \"feed\"\n", feed(&format!("{name} feed")))
}

#[test]
fn a_dead_terminal_is_proven_without_a_hand_and_the_next_is_filed_under_its_name() {
    let mut leads = Leads::on("0.002 V", &two_feeds());
    let ask = leads.ears.asked("Nothing at lift feed.");
    assert!(ask["text"].as_str().unwrap().contains("touch battery plus. Use a fused lead, at a jump post"), "{ask}");
    assert_eq!(
        (&ask["pattern"], &ask["answers"]),
        (&json!("dead terminal"), &json!(["take", "again", "next", "skip"]))
    );
    assert_eq!(ask["waits_for"], "10 to 15.5 V, or 20 to 31 V");
    assert_eq!(leads.daemon.status()["ask"]["text"], ask["text"]);
    let printed = leads.bay.bayline(["status"]).done();
    assert!(
        printed.contains("?? Nothing at lift feed.")
            && printed.contains("or `bayline take`, or `bayline step` with again, next or skip"),
        "{printed}"
    );

    leads.probe.shows("12.61 V");
    assert_eq!(leads.ears.asked("Meter good")["text"], "Meter good, twelve point six. Back to the pin, hold.");
    leads.probe.shows("0.003 V");
    // The caution is said once a session.
    assert_eq!(leads.ears.asked("Battery plus again")["text"], "Battery plus again.");
    leads.probe.shows("12.62 V");
    // Not before the lead is off the battery: one that stays may be on the next pin.
    assert_eq!(leads.ears.asked("Lift off")["text"], "Good. Lift off battery plus.");
    leads.probe.shows("0.001 V");
    leads.ears.said("Dead, proven both sides.");
    let capture = leads.ears.captured_by("proven", "lift feed");
    assert_eq!(capture["verdict"], "out of limit");
    assert_eq!(capture["proof"].as_array().unwrap().len(), 5, "{capture}");
    leads.ears.began("tilt feed");
    leads.probe.shows("12.5 V");
    assert_eq!(leads.ears.captured("tilt feed")["verdict"], "in limit");
    leads.probe.shows("0.001 V");

    let shown = leads.bay.bayline(["show"]).done();
    assert!(shown.contains("proven: dead terminal"), "{shown}");
    let sheet = leads.bay.bayline(["export", "last", "--folder", "out"]);
    sheet.done();
    let steps = fs::read_to_string(leads.bay.path("out/steps.csv")).unwrap();
    assert!(steps.lines().next().unwrap().contains(",place,proof,flags"), "{steps}");
    assert!(steps.contains("proven: dead terminal; measuring point 0.002 V"), "{steps}");
    let json = leads.bay.bayline(["show", "--json"]).done();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["steps"][0]["capture"]["proof"][0], "proven: dead terminal");
    assert_eq!(
        leads.ledger(),
        ["lift feed | proven | 0.003 | out of limit | ", "tilt feed | steady | 12.5 | in limit | "]
    );
}

#[test]
fn the_questions_are_spoken_and_printed() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "0.002 V");
    let alert = bay.write("speak", "#!/bin/sh\nprintf '%s|%s\\n' \"$BAYLINE_KIND\" \"$1\" >> spoken\n");
    fs::set_permissions(&alert, fs::Permissions::from_mode(0o755)).unwrap();
    let procedure = bay.write("p.toml", &format!("title = \"t\"\n{QUICK}\n{}", two_feeds()));
    let daemon = bay.start_with(&["--procedure", text(&procedure), "--alert", text(&alert)]);
    crate::harness::until("the question to be spoken", || {
        let spoken = fs::read_to_string(bay.path("spoken")).unwrap_or_default();
        if spoken.contains("ask|Nothing at lift feed. If the lead is on the pin") { Ok(()) } else { Err(spoken) }
    });
    bay.kept()
        .until("SELECT count(*) FROM event WHERE kind = 'announced' AND text LIKE 'Nothing at lift feed%'", &["1"]);
    daemon.stop();
}

#[test]
fn volts_that_come_unasked_are_asked_about_and_holding_files_them() {
    let mut leads = Leads::on("0.002 V", &two_feeds());
    leads.ears.asked("Nothing at lift feed");
    // A long walk: the lead lands on a live pin, not on the battery, and stays.
    leads.probe.shows("12.5 V");
    leads.ears.asked("Meter good");
    let ask = leads.ears.asked("which terminal");
    assert_eq!(
        ask["text"],
        "Twelve point five volts: which terminal is that? If it is lift feed, hold it; if not, lift."
    );
    assert_eq!(leads.ears.captured("lift feed")["verdict"], "in limit");
    assert_eq!(leads.daemon.status()["ask"], json!(null));
    leads.probe.shows("0.001 V");
    leads.ears.began("tilt feed");
    assert_eq!(leads.ledger(), ["lift feed | steady | 12.5 | in limit | "]);
}

#[test]
fn next_answers_that_the_volts_are_another_terminals() {
    let mut leads = Leads::on("0.002 V", &two_feeds());
    leads.ears.asked("Nothing at lift feed");
    leads.probe.shows("12.61 V");
    leads.ears.asked("Meter good");
    leads.probe.shows("0.003 V");
    leads.probe.shows("0.003 V");
    leads.daemon.until("the lead off the battery", |status| status["readings"][0]["value"] == 0.003);
    leads.probe.shows("12.4 V");
    leads.ears.asked("which terminal");
    leads.daemon.step("next");
    assert_eq!(leads.ears.captured("tilt feed")["verdict"], "in limit");
    let kept = leads.bay.kept();
    assert_eq!(kept.rows("SELECT verdict FROM step WHERE name = 'lift feed'"), ["no reading"]);
    leads.daemon.stop();
}

#[test]
fn each_word_cuts_the_dialogue_short_and_lifting_and_landing_go_on() {
    for word in ["take", "again", "next", "skip"] {
        let mut leads = Leads::on("0.002 V", &(two_feeds() + &feed("float feed")));
        leads.ears.asked("Nothing at lift feed");
        let here = if word == "again" { "lift feed" } else { "tilt feed" };
        match word {
            "take" => assert_eq!(leads.daemon.take()["taken"][0]["verdict"], "out of limit"),
            word => drop(leads.daemon.step(word)),
        }
        leads.ears.heard("the end of the question", |news| news["news"] == "ask-over");
        assert_eq!(leads.daemon.status()["ask"], json!(null), "{word}");
        // The next terminal, as before: it is captured under its own name, and lifting leads on.
        leads.probe.shows("12.4 V");
        assert_eq!(leads.ears.captured(here)["verdict"], "in limit", "{word}");
        leads.probe.shows("0.001 V");
        leads.ears.began(if word == "again" { "tilt feed" } else { "float feed" });
        leads.daemon.stop();
    }
}

#[test]
fn again_on_the_battery_never_files_the_battery() {
    let mut leads = Leads::on("0.002 V", &two_feeds());
    leads.ears.asked("Nothing at lift feed");
    leads.probe.shows("12.61 V");
    leads.ears.asked("Meter good");
    leads.daemon.step("again");
    leads.daemon.until("readings of the battery", |status| status["session"]["samples"].as_u64() > Some(40));
    leads.probe.shows("0.001 V");
    leads.daemon.until("the lead lifted", |status| status["readings"][0]["value"] == 0.001);
    leads.probe.shows("12.4 V");
    let value = leads.ears.captured("lift feed")["value"].as_f64().unwrap();
    assert!((value - 12.4).abs() < 1e-9, "{value}");
    leads.daemon.stop();
}

/// Seen by a technician: a value that was taken without load stopped the step's own capture for good.
#[test]
fn a_value_that_does_not_count_stops_no_capture() {
    let bay = Bay::with_bench(&format!(
        "{HANDHELD}\n[[meter]]\nname = \"clamp\"\nport = \"PORTS/clamp\"\nprotocol = \"number\"\n[[meter.channel]]\nname = \"coil clamp\"\nquantity = \"A DC\"\n"
    ));
    let probe = Display::of(bay.meter("handheld"), "12.1 V");
    let clamp = Display::of(bay.meter("clamp"), "0.01 A");
    let load = "while = [{ channel = \"coil clamp\", at_least = \"1 A\" }]\n";
    let procedure = bay.write(
        "p.toml",
        &format!("title = \"t\"\nadvance = \"lifted\"\n{}{load}{}", feed("loaded feed"), feed("tilt feed")),
    );
    let mut daemon = bay.start_with(&["--procedure", text(&procedure)]);
    let mut ears = bay.client().watch();
    daemon.until("both meters", |status| status["readings"].as_array().is_some_and(|readings| readings.len() == 2));
    assert_eq!(daemon.take()["taken"][0]["verdict"], "no load current");
    clamp.shows("1.62 A");
    assert_eq!(ears.captured("loaded feed")["verdict"], "in limit");
    probe.shows("0.001 V");
    ears.began("tilt feed");
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT verdict FROM step WHERE name = 'loaded feed'"), ["in limit"]);
}

/// Seen: the findings took all feeds of circuits without a coil step for one and the same, and called a proven dead terminal a lead
/// that had slipped, with certainty.
#[test]
fn a_proven_dead_terminal_is_found_to_have_no_feed() {
    let mut leads = Leads::on("12.4 V", &(terminal("lift") + &terminal("tilt") + &terminal("float")));
    leads.ears.captured("lift feed");
    leads.probe.shows("0.002 V");
    leads.ears.asked("Nothing at tilt feed.");
    leads.probe.shows("12.61 V");
    leads.ears.asked("Meter good");
    leads.probe.shows("0.003 V");
    leads.ears.asked("Battery plus again");
    leads.probe.shows("12.62 V");
    leads.ears.asked("Lift off");
    leads.probe.shows("0.001 V");
    leads.ears.captured_by("proven", "tilt feed");
    leads.ears.began("float feed");
    leads.probe.shows("12.5 V");
    leads.ears.captured("float feed");
    let finding = leads.daemon.until_finding();
    assert!(finding["sentence"].as_str().unwrap().starts_with("tilt coil: no feed at this terminal"), "{finding}");
    assert!(
        finding["next"].as_str().unwrap().starts_with("Follow the voltage from the shared feed to the tilt coil"),
        "{finding}"
    );
}
