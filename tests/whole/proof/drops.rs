//! Drops: by their size, slipped leads, nothing under full load, a display that is held, a clamp on backward.

use serde_json::{Value, json};

use super::QUICK;
use crate::harness::{Bay, Client, Daemon, Display, HANDHELD, text, until};

const CLAMP: &str = "[[meter]]\nname = \"clamp\"\nport = \"PORTS/clamp\"\nprotocol = \"number\"\n\
                     [[meter.channel]]\nname = \"coil clamp\"\nquantity = \"A DC\"\n";

/// A handheld on a joint, and a clamp on the coil.
struct Joint {
    bay: Bay,
    probe: Display,
    clamp: Display,
    daemon: Daemon,
    ears: Client,
}

impl Joint {
    fn on(shown: &str, amps: &str, steps: &str) -> Self {
        let bay = Bay::with_bench(&format!("{HANDHELD}{CLAMP}"));
        let probe = Display::of(bay.meter("handheld"), shown);
        let clamp = Display::of(bay.meter("clamp"), amps);
        let procedure = bay.write("p.toml", &format!("title = \"Drops\"\nadvance = \"lifted\"\n{QUICK}\n{steps}"));
        let daemon = bay.start_with(&["--procedure", text(&procedure)]);
        let ears = bay.client().watch();
        Self { bay, probe, clamp, daemon, ears }
    }

    /// The coil is held on, and the daemon has seen it.
    fn hold_on(&mut self) {
        self.clamp.shows("1.620 A");
        self.daemon.until("the load", |status| shows(status, 1.62));
    }

    /// The drop counts under load.
    fn until_drop(&mut self, volts: f64) {
        self.daemon.until("the drop under load", |status| {
            let counts = |one: &Value| one["verdict"].as_str().is_some_and(|verdict| verdict.ends_with("limit"));
            let readings = status["readings"].as_array().unwrap();
            readings.iter().any(|one| counts(one) && one["value"] == volts)
        });
    }
}

fn shows(status: &Value, value: f64) -> bool {
    status["readings"].as_array().unwrap().iter().any(|one| one["value"] == value)
}

/// A ground drop under load that captures itself, or is taken.
fn drop_step(name: &str, capture: &str) -> String {
    format!(
        "[[step]]\nname = \"{name}\"\nchannel = \"probe\"\nquantity = \"V DC\"\nat_most = \"100 mV\"\n\
         contact = \"fixed\"\ncapture = \"{capture}\"\nsteady = \"1500 ms\"\n\
         while = [{{ channel = \"coil clamp\", at_least = \"1 A\" }}]\n"
    )
}

#[test]
fn a_drop_of_nothing_under_load_is_proven_on_the_battery() {
    let mut joint =
        Joint::on("0.000 V", "0.001 A", &(drop_step("ground drop", "steady") + &drop_step("next drop", "taken")));
    joint.hold_on();
    let ask = joint.ears.asked("No drop under load");
    assert!(ask["text"].as_str().unwrap().contains("touch battery plus with the red lead. Use a fused lead"), "{ask}");
    joint.probe.shows("12.61 V");
    joint.ears.asked("Leads good. Back to the joint");
    joint.probe.shows("0.000 V");
    joint.ears.said("Good joint, proven.");
    let capture = joint.ears.captured_by("proven", "ground drop");
    assert_eq!((&capture["verdict"], &capture["proof"][0]), (&json!("in limit"), &json!("proven: zero drop")));
    // Where the operator takes it, the doubt stands beside it.
    joint.ears.began("next drop");
    let taken = until("a reading of the new step", || {
        let answer = joint.daemon.answer(&json!({"do": "take"}));
        if answer["taken"][0]["verdict"] == "in limit" { Ok(answer["taken"][0].clone()) } else { Err(answer) }
    });
    assert_eq!((&taken["verdict"], &taken["flags"]), (&json!("in limit"), &json!(["doubted zero drop"])), "{taken}");
    let shown = joint.bay.bayline(["show"]).done();
    joint.daemon.stop();
    assert!(shown.contains("proven: zero drop"), "{shown}");
    assert!(joint.bay.bayline(["show"]).done().contains("doubted zero drop"));
}

#[test]
fn a_lead_that_slips_off_a_drop_keeps_the_plateau_and_says_so() {
    let mut joint =
        Joint::on("0.340 V", "0.001 A", &(drop_step("ground drop", "taken") + &drop_step("next drop", "taken")));
    joint.hold_on();
    joint.probe.shows("0.341 V");
    joint.until_drop(0.341);
    joint.probe.shows("0.000 V");
    joint.ears.asked("The drop collapsed and the load stayed. Let go and hold again");
    joint.daemon.step("next");
    let kept = joint.bay.kept();
    assert_eq!(
        kept.rows(
            "SELECT round(value, 3), how, step.verdict, flags FROM step JOIN capture ON capture.id = step.capture"
        ),
        ["0.341 | last | out of limit | unproven plateau"]
    );
    joint.daemon.stop();
}

#[test]
fn a_drop_follows_the_load() {
    let mut joint =
        Joint::on("0.060 V", "0.001 A", &(drop_step("ground drop", "steady") + &drop_step("next drop", "taken")));
    joint.hold_on();
    joint.probe.shows("0.061 V");
    joint.until_drop(0.061);
    joint.probe.shows("0.000 V");
    joint.ears.asked("The drop collapsed");
    // Let go and held again.
    joint.clamp.shows("0.001 A");
    joint.daemon.until("the load off", |status| shows(status, 0.001));
    joint.hold_on();
    joint.probe.shows("0.062 V");
    assert_eq!(joint.ears.captured("ground drop")["verdict"], "in limit");
    joint.daemon.stop();
}

#[test]
fn a_negative_drop_is_asked_about_and_judged_by_its_size() {
    let mut joint =
        Joint::on("-0.340 V", "0.001 A", &(drop_step("ground drop", "steady") + &drop_step("next drop", "taken")));
    joint.hold_on();
    joint.probe.shows("-0.341 V");
    let ask = joint.ears.asked("swap the leads");
    assert_eq!(ask["text"], "-0.341 V: swap the leads.");
    let capture = joint.ears.captured("ground drop");
    assert_eq!((&capture["verdict"], &capture["value"]), (&json!("out of limit"), &json!(-0.341)), "{capture}");
    joint.daemon.stop();
}

#[test]
fn a_clamp_on_backward_is_said_once_and_flagged_and_counts_seconds() {
    let step = |name: &str| {
        format!(
            "[[step]]\nname = \"{name}\"\ncircuit = \"{name}\"\nchannel = \"coil clamp\"\nquantity = \"A DC\"\n\
             between = \"1.45 A to 1.80 A\"\ncapture = \"steady\"\nsteady = \"300 ms\"\nhold_at_most = \"3 s\"\n"
        )
    };
    let mut joint = Joint::on("0.001 V", "-0.01 A", &(step("lift amps") + &step("tilt amps")));
    joint.clamp.shows("-1.62 A");
    let capture = joint.ears.captured("lift amps");
    assert_eq!((&capture["verdict"], &capture["flags"]), (&json!("in limit"), &json!(["reversed clamp"])), "{capture}");
    assert!((capture["value"].as_f64().unwrap() - 1.62).abs() < 1e-9, "{capture}");
    joint.ears.said("the clamp is on backward");
    joint.clamp.shows("-0.01 A");
    joint.ears.began("tilt amps");
    joint.clamp.shows("-1.61 A");
    joint.ears.captured("tilt amps");
    // The time limit counts with the clamp backward too.
    joint.ears.heard("the count", |news| news["news"] == "count" && news["seconds"] == 1);
    joint.daemon.stop();
    let kept = joint.bay.kept();
    assert_eq!(kept.number("SELECT count(*) FROM event WHERE text LIKE '%backward%'"), 1);
    assert_eq!(kept.rows("SELECT flags FROM capture"), ["reversed clamp", "reversed clamp"]);
    // The samples keep the sign that was read.
    assert!(kept.number("SELECT count(*) FROM reading WHERE value < -1.6") > 5);
}

#[test]
fn a_display_that_ignores_the_load_is_asked_about() {
    let mut joint = Joint::on("0.341 V", "0.001 A", &drop_step("ground drop", "steady"));
    joint.daemon.until("both meters", |status| status["readings"].as_array().is_some_and(|all| all.len() == 2));
    joint.ears.heard("readings without load", |news| news["news"] == "readings");
    joint.clamp.shows("1.620 A");
    joint.ears.asked("The display has not moved since the load changed");
    joint.probe.shows("0.052 V");
    assert_eq!(joint.ears.captured("ground drop")["verdict"], "in limit");
    joint.daemon.stop();
}
