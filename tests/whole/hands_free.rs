//! Proves that terminal after terminal is captured, told and left without a hand at the computer, and that what
//! must not be captured by itself is not. Limits are common practice, no source.

use std::{fs, os::unix::fs::PermissionsExt};

use serde_json::json;

use crate::harness::{Bay, Client, Display, HANDHELD, text, until};

const TERMINALS: &str = r#"
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
patience = "500 ms"

[[step]]
name = "ohms, lift coil"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
temperature = "20 °C"
capture = "steady"

[[step]]
name = "amps, lift coil"
circuit = "lift coil"
channel = "probe"
quantity = "A DC"
at_least = "1 A"
"#;

#[test]
fn each_terminal_is_captured_told_and_left_without_hands() {
    let bay = Bay::with_bench(&HANDHELD.replace("protocol", "amps_fuse = \"10 A\"\nprotocol"));
    let probe = Display::of(bay.meter("handheld"), "0.003 V");
    let terminals = bay.write("terminals.toml", TERMINALS);
    // The operator's own program: it gets words, not a line for a shell.
    let alert = bay.write("speak", "#!/bin/sh\nprintf '%s %s|%s\\n' \"$1\" \"$BAYLINE_KIND\" \"$2\" >> spoken\n");
    fs::set_permissions(&alert, fs::Permissions::from_mode(0o755)).unwrap();
    let daemon = bay.start_with(&["--procedure", text(&terminals), "--alert", text(&alert), "--alert", "bay 3"]);
    let mut ears = bay.client().watch();

    probe.shows("12.41 V");
    let capture = ears.captured("feed, lift coil");
    assert_eq!((&capture["how"], &capture["verdict"]), (&json!("steady"), &json!("in limit")));
    assert!((capture["value"].as_f64().unwrap() - 12.41).abs() < 1e-9, "{capture}");
    assert!(capture["readings"].as_u64().unwrap() >= 10, "{capture}");
    probe.shows("0.002 V");
    ears.began("feed, tilt coil");

    // A dead feed reads like a lifted lead: it is asked about, and taken by an operator command.
    assert!(ears.said("`take` captures it as it is").contains("reads like a lead that touches nothing"));
    let taken = bay.bayline(["take"]).done();
    assert!(taken.contains("out of limit"), "{taken}");
    bay.bayline(["step", "again"]).done();
    probe.shows("12.38 V");
    assert_eq!(ears.captured("feed, tilt coil")["verdict"], "in limit");
    probe.shows("0.002 V");
    ears.began("ohms, lift coil");

    assert!(ears.said("live").contains("12.41 V, step \"feed, lift coil\""));
    ears.said("switch handheld from V DC to ohm");
    probe.shows("OL ohm");
    probe.shows("7.61 ohm");
    assert_eq!(ears.captured("ohms, lift coil")["verdict"], "in limit");
    probe.shows("OL ohm");
    ears.began("amps, lift coil");
    ears.said("red lead to the amps jack, its fuse is 10 A");
    bay.bayline(["step", "next"]).done();
    ears.said("red lead of handheld back to the volts jack");
    until("the last announcement", || {
        let spoken = fs::read_to_string(bay.path("spoken")).unwrap_or_default();
        if spoken.contains("back to the volts") { Ok(()) } else { Err(spoken) }
    });
    daemon.stop();

    let spoken = fs::read_to_string(bay.path("spoken")).unwrap();
    assert!(spoken.contains("bay 3 captured|Feed, lift coil, twelve point four volts, in limit.\n"), "{spoken}");
    assert!(spoken.contains("bay 3 say|switch handheld from volts DC to ohms\n"), "{spoken}");
    assert!(spoken.contains("bay 3 step|Next: ohms, lift coil.\n"), "{spoken}");
    assert_eq!(
        bay.kept().rows(
            "SELECT step.name, attempt, left_how, step.verdict, how, readings > 9, round(value, 3)
             FROM step LEFT JOIN capture ON capture.id = step.capture WHERE number < 5 ORDER BY number"
        ),
        [
            "feed, lift coil | 1 | done | in limit | steady | 1 | 12.41",
            "feed, tilt coil | 1 | again | out of limit | taken | - | 0.002",
            "feed, tilt coil | 2 | done | in limit | steady | 1 | 12.38",
            "ohms, lift coil | 1 | done | in limit | steady | 1 | 7.61",
        ]
    );
    bay.kept().assert_sound();
}

#[test]
fn a_held_display_or_a_wrong_switch_is_reported_and_never_captured() {
    let bench = HANDHELD.replace("\"number\"", "\"report-14-sign\"");
    let bay = Bay::with_bench(&bench);
    // 12.34 V DC as the shipped protocol's example has it; the second with the hold bit, the third on ohms.
    const VOLTS: &[u8] = b"+1234 20\x00\x00\x80\x0c\r\n";
    const HELD: &[u8] = b"+1234 22\x00\x00\x80\x0c\r\n";
    const OHMS: &[u8] = b"+1234 20\x00\x00\x20\x0c\r\n";
    let probe = Display::of(bay.meter("handheld"), "");
    probe.shows_bytes(OHMS);
    let terminals = bay.write("terminals.toml", TERMINALS);
    let mut daemon = bay.start_with(&["--procedure", text(&terminals)]);
    let mut ears = bay.client().watch();
    assert_eq!(ears.said("the meter is on"), "the meter is on ohm, switch it to V DC");
    probe.shows_bytes(HELD);
    assert_eq!(ears.said("HOLD"), "HOLD is on at the meter, switch it off");
    let refused = daemon.refused(json!({"do": "take"}));
    assert_eq!(refused, "this reading can't be taken: HOLD is on at the meter, switch it off");
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM capture"), 0);
    let refused = daemon.step("again");
    let judged = &refused["judged"];
    assert_eq!(
        (&judged["verdict"], &judged["value"]),
        (&json!("held display"), &serde_json::Value::Null),
        "nothing was captured: {refused}"
    );
    probe.shows_bytes(VOLTS);
    assert_eq!(ears.captured("feed, lift coil")["verdict"], "in limit");
    daemon.stop();
}

#[test]
fn a_coil_held_on_is_counted_out_and_the_step_is_ended() {
    let bay = Bay::with_bench(HANDHELD);
    let procedure = bay.write(
        "held.toml",
        "title = \"Held on\"\n[[step]]\nname = \"lift coil held on\"\nchannel = \"probe\"\nquantity = \"A DC\"\n\
         at_least = \"1.45 A\"\ncapture = \"steady\"\nsteady = \"500 ms\"\nhold_at_most = \"3 s\"\n",
    );
    let probe = Display::of(bay.meter("handheld"), "0.00 A");
    let daemon = bay.start_with(&["--procedure", text(&procedure)]);
    let mut ears = bay.client().watch();
    probe.shows("1.62 A");
    let counted = |ears: &mut Client, seconds| {
        ears.heard("the count", |news| news["news"] == "count" && news["seconds"] == seconds)
    };
    counted(&mut ears, 3);
    assert_eq!(ears.captured("lift coil held on")["verdict"], "in limit");
    counted(&mut ears, 2);
    counted(&mut ears, 1);
    ears.said("let go: it has been on for as long as allowed");
    let left = ears.heard("the end of the step", |news| news["news"] == "judged");
    assert_eq!(left["judged"]["verdict"], "in limit");
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT left_how, verdict FROM step"), ["time up | in limit"]);
}
