//! Proves before and after: a retest of what was not in limit, the difference with its uncertainty, one sheet, and what good
//! machines show.

use serde_json::{Value, json};

use crate::harness::{Bay, Daemon, Meter, THREE, text};

const BLOCK: &str = r#"
title = "Valve block"
[[step]]
name = "battery"
channel = "battery"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "lift feed"
channel = "probe"
quantity = "V DC"
at_most = "0.5 V below battery"
[[step]]
name = "block ground"
channel = "block ground"
at_most = "100 mV"
[[step]]
name = "fuses"
set = ["F1", "F2"]
channel = "probe"
quantity = "V DC"
at_least = "11 V"
"#;

/// Works through the steps that there are, each with its line; the readings are those of a bench with these.
fn visit(daemon: &mut Daemon, handheld: &Meter, supply: &Meter, lines: &[(&str, &str)]) {
    let mut count = daemon.status()["session"]["samples"].as_u64().unwrap();
    for (step, line) in lines {
        daemon.step(step);
        count += 1;
        let meter = if line.contains('=') { supply } else { handheld };
        meter.line(line);
        daemon.until_samples(count);
        daemon.take();
    }
}

#[test]
fn a_retest_does_again_what_was_not_in_limit_and_compares() {
    let bay = Bay::with_bench(THREE);
    let block = bay.write("block.toml", BLOCK);
    let [_clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let told = ["--machine", "loader 7", "--complaint", "lift drops when hot", "--part", "63 °C"];
    let mut daemon = bay.start_with(&[&["--procedure", text(&block)][..], &told].concat());
    daemon.until_open(["clamps", "handheld", "supply"]);
    let before = [
        ("battery", "supply=11.2V"),
        ("lift feed", "10.2 V"),
        ("block ground", "ground=20mV"),
        ("fuses: F1", "12.3 V"),
        ("fuses: F2", "0.1 V"),
    ];
    visit(&mut daemon, &handheld, &supply, &before);
    daemon.ask(json!({"do": "end"}));

    // The feed refers to the battery, and of a set all items are done again.
    let begun = bay.bayline(["begin", "--retest", "1"]).done();
    assert!(begun.contains("step 1 of 4: battery"), "{begun}");
    let status = daemon.status();
    assert_eq!((&status["session"]["machine"], &status["step"]["of"]), (&json!("loader 7"), &json!(4)));
    assert!(daemon.refused(json!({"do": "step", "to": "block ground"})).contains("block ground"));
    let after =
        [("battery", "supply=12.5V"), ("lift feed", "12.4 V"), ("fuses: F1", "12.3 V"), ("fuses: F2", "12.4 V")];
    visit(&mut daemon, &handheld, &supply, &after);
    let ended = bay.bayline(["end"]).done();
    assert!(ended.contains("In limit after the work and not before: battery, lift feed, fuses: F2."), "{ended}");
    assert!(ended.contains("out of limit, now in limit") && ended.contains("mended"), "{ended}");
    let shown = bay.bayline(["show", "2"]).done();
    assert!(shown.contains("`bayline compare 1 2` shows what has changed"), "{shown}");
    // How warm the part was before the repair says nothing of today.
    assert!(bay.bayline(["show", "1"]).done().contains("part: 63 °C") && !shown.contains("part:"), "{shown}");

    // u of each is (0.5 % + 5 mV) / √3 (JCGM 100 4.3.7); the 0.5 % are one error of one meter, so the difference has
    // u² = u₁² + u₂² - 2 cov with cov = 11.2 V · 12.5 V · (0.5 % / √3)² (JCGM 100 5.2.2 equation 13).
    let json: Value = serde_json::from_str(&bay.bayline(["compare", "1", "2", "--json"]).done()).unwrap();
    let battery = &json["steps"][0];
    let (u1, u2, gain) = (0.061 / 3f64.sqrt(), 0.0675 / 3f64.sqrt(), 0.005 / 3f64.sqrt());
    let u = (u1 * u1 + u2 * u2 - 2.0 * 11.2 * 12.5 * gain * gain).sqrt();
    assert_eq!(
        (&battery["step"], &battery["same_meter"], &battery["change"]),
        (&json!("battery"), &json!(true), &json!("mended"))
    );
    assert!((battery["difference"].as_f64().unwrap() - 1.3).abs() < 1e-9, "{battery}");
    assert!((battery["difference_u"].as_f64().unwrap() - u).abs() < 1e-9, "{battery}");
    assert!((battery["normalized"].as_f64().unwrap() - 1.3 / (2.0 * u)).abs() < 1e-6, "{battery}");
    let same = json["steps"].as_array().unwrap().iter().find(|step| step["step"] == "fuses: F1").unwrap();
    assert_eq!((&same["change"], &same["difference"]), (&json!("same"), &json!(0.0)));

    let sheet = bay.path("repaired.html");
    bay.bayline(["compare", "1", "2", "-o", text(&sheet), "--utc"]).done();
    let page = std::fs::read_to_string(&sheet).unwrap();
    for part in [
        "Valve block, before and after",
        "lift drops when hot",
        "class=\"good-dot\"",
        "out of limit</span> before",
        "in limit</span> after",
    ] {
        assert!(page.contains(part), "{part} is not in {page}");
    }
    // Seen: what was not measured again was not on the sheet at all.
    assert!(page.contains("In limit before, and not measured again:</strong> block ground"), "{page}");
    assert!(bay.bayline(["compare", "1", "2", "-o", text(&sheet)]).failed(2).contains("--force"));

    // Nothing is left to do again; and what can't be compared is told in a sentence.
    assert!(bay.bayline(["begin", "--retest", "2"]).failed(2).contains("in session 2 every step is in limit"));
    assert!(bay.bayline(["compare", "1", "1"]).failed(2).contains("can't be compared with itself"));
    daemon.ask(json!({"do": "begin", "machine": "digger"}));
    daemon.step("alone");
    daemon.ask(json!({"do": "end"}));
    assert!(bay.bayline(["begin", "--retest", "3"]).failed(2).contains("has no procedure"));
    assert!(bay.bayline(["compare", "1", "3"]).failed(2).contains("no step in common"));
    assert!(bay.bayline(["compare", "1", "99"]).failed(1).contains("no session 99"));
    // A retest that was broken off has mended nothing.
    bay.bayline(["begin", "--retest", "1"]).done();
    let ended = bay.bayline(["end"]).done();
    let open = "Not in limit before the work and not measured again: battery, lift feed, fuses: F2.";
    assert!(ended.contains(open), "{ended}");
    daemon.stop();
    bay.bayline(["compare", "1", "4", "-o", text(&sheet), "--force"]).done();
    let page = std::fs::read_to_string(&sheet).unwrap();
    assert_eq!(page.matches("not measured again</span> after").count(), 3, "{page}");
    // The other way round the clock tells, and so does another machine.
    bay.bayline(["correct", "2", "--machine", "digger"]).done();
    let output = bay.bayline(["compare", "2", "1"]);
    assert_eq!(output.code, Some(0));
    assert!(
        output.stderr.contains("began before session 2") && output.stderr.contains("may be two machines"),
        "{output:?}"
    );
}

/// Seen: after half a retest nothing said which steps are left, and what to do.
#[test]
fn half_a_retest_says_what_is_left_and_goes_on_as_one() {
    let bay = Bay::with_bench(THREE);
    let block = bay.write("block.toml", BLOCK);
    let [_clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&block)]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    let before = [("battery", "supply=11.2V"), ("block ground", "ground=20mV"), ("fuses: F1", "0.1 V")];
    visit(&mut daemon, &handheld, &supply, &before);
    daemon.ask(json!({"do": "end"}));
    bay.bayline(["begin", "--retest", "1"]).done();
    visit(&mut daemon, &handheld, &supply, &[("battery", "supply=12.5V")]);
    let ended = bay.bayline(["end"]).done();
    let left = "still to be done again: lift feed, fuses: F1, fuses: F2; `bayline begin --continues 2` goes on with it";
    assert!(ended.contains(left), "{ended}");

    bay.bayline(["begin", "--continues", "2"]).done();
    visit(&mut daemon, &handheld, &supply, &[("lift feed", "12.4 V"), ("fuses: F1", "12.3 V")]);
    let ended = bay.bayline(["end"]).done();
    assert!(ended.contains("In limit after the work and not before: battery, fuses: F1."), "{ended}");
    assert!(ended.contains("still to be done again: fuses: F2; `bayline begin --continues 3`"), "{ended}");
    bay.bayline(["begin", "--continues", "3"]).done();
    visit(&mut daemon, &handheld, &supply, &[("fuses: F2", "12.3 V")]);
    let ended = bay.bayline(["end"]).done();
    assert!(ended.contains("battery, fuses: F1.") && !ended.contains("still to be done"), "{ended}");
    daemon.stop();
}

#[test]
fn good_machines_show_what_to_expect() {
    let bay = Bay::with_bench(THREE);
    let block = bay.write("block.toml", BLOCK);
    let [_clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&block), "--machine", "Loader 7"]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    for (session, (feed, ground)) in
        (1..).zip([("12.40 V", "20mV"), ("12.50 V", "24mV"), ("12.60 V", "40mV"), ("12.45 V", "190mV")])
    {
        if session > 1 {
            let text = std::fs::read_to_string(&block).unwrap();
            daemon
                .ask(json!({"do": "begin", "machine": "loader 7", "procedure": {"file": "block.toml", "text": text}}));
        }
        visit(
            &mut daemon,
            &handheld,
            &supply,
            &[("battery", "supply=12.6V"), ("lift feed", feed), ("block ground", &format!("ground={ground}"))],
        );
    }
    daemon.ask(json!({"do": "end"}));
    daemon.stop();
    assert!(!bay.bayline(["show", "4"]).done().contains("known good"));
    for good in ["1", "2", "3"] {
        assert!(bay.bayline(["correct", good, "--good"]).done().contains("the machine is known to be good"));
    }
    // Median of 20, 24 and 40 mV; the median absolute deviation is 4 mV, as a standard deviation 1.4826 times that.
    let json: Value = serde_json::from_str(&bay.bayline(["show", "4", "--json"]).done()).unwrap();
    let known = json["known_good"].as_array().unwrap().iter().find(|row| row["step"] == "block ground").unwrap();
    let number = |key: &str| known[key].as_f64().unwrap();
    assert_eq!(known["n"], 3);
    assert!((number("median") - 0.024).abs() < 1e-12 && (number("spread") - 1.4826 * 0.004).abs() < 1e-6, "{known}");
    assert!((number("distance") - 0.166).abs() < 1e-9, "{known}");
    let shown = bay.bayline(["show", "4"]).done();
    assert!(shown.contains("known good"), "{shown}");
    assert!(bay.bayline(["report", "4", "--full"]).done().contains("3 sessions known to be good"));
    // A mark that is taken back counts no more, and the exported session does not depend on others.
    bay.bayline(["correct", "3", "--not-good"]).done();
    bay.bayline(["correct", "2", "--undo"]).done();
    let json: Value = serde_json::from_str(&bay.bayline(["show", "4", "--json"]).done()).unwrap();
    assert_eq!(json["known_good"][0]["n"], 1);
}

/// What differs may be the bench: it is said as the retest begins.
#[test]
fn a_retest_on_another_bench_is_warned_of() {
    let bay = Bay::with_bench(THREE);
    let block = bay.write("block.toml", BLOCK);
    let [_clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--procedure", text(&block)]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    visit(&mut daemon, &handheld, &supply, &[("battery", "supply=11.2V"), ("lift feed", "10.2 V")]);
    daemon.ask(json!({"do": "end"}));
    let same = bay.bayline(["begin", "--retest", "1"]).done();
    assert!(!same.contains("may be the bench's"), "{same}");
    daemon.stop();
    bay.write("bench.toml", &THREE.replace("0.5 % + 5 mV", "3 % + 5 mV"));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "handheld", "supply"]);
    let other = bay.bayline(["begin", "--retest", "1"]).done();
    let words = "warning: the accuracy of channel \"battery\" is \"3 % + 5 mV\" now and was \"0.5 % + 5 mV\"";
    assert!(
        other.contains(words) && other.contains("in session 1: the difference of the two may be the bench's"),
        "{other}"
    );
    daemon.stop();
}
