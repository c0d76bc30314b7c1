//! Leads together, an open coil, a shorted one.

use serde_json::json;

use super::Leads;

fn ohms(name: &str) -> String {
    format!(
        "[[step]]\nname = \"{name}\"\nchannel = \"probe\"\nquantity = \"ohm\"\nnominal = \"7.5 ohm ± 8 %\"\n\
         temperature = \"20 °C\"\n         capture = \"steady\"\nsteady = \"300 ms\"\n"
    )
}

#[test]
fn the_leads_are_taken_off_and_an_open_coil_is_proven() {
    let mut leads = Leads::on("OL ohm", &(ohms("lift ohms") + &ohms("tilt ohms") + &ohms("float ohms")));
    assert_eq!(leads.ears.asked("Open.")["text"], "Open. Leads together.");
    leads.probe.shows("0.2 ohm");
    assert_eq!(leads.ears.asked("Leads good")["pattern"], "open coil");
    leads.probe.shows("OL ohm");
    leads.ears.said("Coil open, proven.");
    assert_eq!(leads.ears.captured_by("proven", "lift ohms")["verdict"], "out of limit");
    // The leads go to the next coil: it is captured under its own name, the leads taken off.
    leads.probe.shows("7.6 ohm");
    leads.ears.began("tilt ohms");
    let capture = leads.ears.captured("tilt ohms");
    assert!((capture["value"].as_f64().unwrap() - 7.4).abs() < 1e-9, "{capture}");
    assert!(capture["reason"].as_str().unwrap().ends_with("of the leads taken off"), "{capture}");
    // Two readings with a last digit of 0.1 ohm: each 0.1 / √12, JCGM 100:2008 F.2.2.1, in quadrature.
    assert!(
        (capture["measured_u"].as_f64().unwrap() - (0.1f64 / 12f64.sqrt()).hypot(0.1 / 12f64.sqrt())).abs() < 1e-3,
        "{capture}"
    );
    leads.probe.shows("OL ohm");
    leads.ears.began("float ohms");
    assert_eq!(leads.ledger(), ["lift ohms | proven | - | out of limit | ", "tilt ohms | steady | 7.4 | in limit | "]);
}

#[test]
fn leads_on_each_other_are_no_coil_and_a_shorted_coil_is_told_from_them() {
    let mut leads = Leads::on("0.2 ohm", &(ohms("lift ohms") + &ohms("tilt ohms")));
    leads.ears.said("Leads, point two, taken off.");
    leads.probe.shows("OL ohm");
    leads.daemon.until("the leads apart", |status| status["readings"][0]["value"] == "over");
    leads.probe.shows("0.2 ohm");
    leads.ears.asked("Same as the leads: lift and touch again.");
    leads.probe.shows("OL ohm");
    leads.daemon.until("the leads apart", |status| status["readings"][0]["value"] == "over");
    leads.probe.shows("0.2 ohm");
    leads.ears.said("Coil shorted. Prove it on a sister coil.");
    let capture = leads.ears.captured_by("proven", "lift ohms");
    assert_eq!((&capture["verdict"], &capture["proof"][0]), (&json!("out of limit"), &json!("proven: shorted coil")));
    leads.probe.shows("OL ohm");
    leads.ears.began("tilt ohms");
    leads.daemon.stop();
}
