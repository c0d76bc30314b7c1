//! Proves that values are shown everywhere with the digits that the meter showed and the prefix of the limit, and stored as sent.

use std::fs;

use crate::harness::{Bay, HANDHELD, text};

const STEPS: &str = r#"
title = "Digits"
[[step]]
name = "ground drop"
channel = "probe"
quantity = "V DC"
at_most = "100 mV"
[[step]]
name = "coil"
channel = "probe"
quantity = "ohm"
at_most = "7.2 ohm"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
"#;

/// `7.60` became `7.600 ohm`, and `0.001 V` became `1.000 mV`, wherever a capture was printed.
#[test]
fn a_capture_has_the_digits_of_the_display_everywhere() {
    let bay = Bay::with_bench(HANDHELD);
    let steps = bay.write("digits.toml", STEPS);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", text(&steps)]);
    daemon.until_open(["handheld"]);
    let reasons = [
        ("0.341 V", "341 mV", "341 mV is 241 mV too high, at most 100 mV wanted"),
        ("7.60 ohm", "7.60 ohm", "7.60 ohm is 0.40 ohm too high, at most 7.2 ohm wanted"),
        ("12.6 V", "12.6 V", "no limit to judge it by"),
    ];
    for (sent, shown, reason) in reasons {
        handheld.line(sent);
        let status = daemon.until(sent, |status| status["readings"][0]["shown"] == shown);
        assert!(bay.bayline(["status"]).done().contains(&format!(" {shown} ")), "{status}");
        assert_eq!(daemon.take()["taken"][0]["reason"], reason);
        if sent != "12.6 V" {
            daemon.step("next");
        }
    }
    daemon.stop();

    let ledger = bay.bayline(["show"]).done();
    // Without an accuracy, U is that of the display's step, 2 × digit / √12, rounded up to one digit.
    for words in [reasons[0].2, reasons[1].2, "341 mV ± 1 mV", "7.60 ohm ± 0.01 ohm", "12.6 V ± 0.1 V"] {
        assert!(ledger.contains(words), "no {words}: {ledger}");
    }
    let figures = bay.bayline(["show", "--figures"]).done();
    assert!(figures.contains("0.341 V") && figures.contains("7.60 ohm"), "{figures}");
    let sheet = bay.bayline(["report", "--full"]).done();
    for words in [reasons[0].2, reasons[1].2, "341 mV ± 1 mV", "7.60 ohm ± 0.01 ohm"] {
        assert!(sheet.contains(words), "no {words}: {sheet}");
    }
    bay.bayline(["export", "--folder", text(&bay.path("out"))]).done();
    let rows = fs::read_to_string(bay.path("out/steps.csv")).unwrap();
    assert!(rows.contains(reasons[0].2) && rows.contains(reasons[1].2), "{rows}");
    // Stored as sent, in the base unit, with what the last digit is worth.
    let kept = bay.kept().rows("SELECT value || ' ' || digit FROM capture ORDER BY id");
    assert_eq!(kept, ["0.341 0.001", "7.6 0.01", "12.6 0.1"]);
}
