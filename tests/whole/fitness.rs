//! Proves that a bench that does not suit a procedure is told before the test and at its begin, and that what was
//! told of the visit finds its session again.

use serde_json::Value;

use crate::harness::Bay;

const BENCH: &str = r#"
[[meter]]
name = "clamps"
port = "PORTS/clamps"
protocol = "columns"
[[meter.channel]]
name = "coil clamp"
reads = "v1"
quantity = "A DC"
accuracy = "1.5 % + 20 mA"
range = "20 A"
"#;

/// U = 2 (1.5 % of 1.8 A + 20 mA)/√3 is 54 mA: more than a third of ± 100 mA, and a limit above 20 A is out of reach.
const PROCEDURE: &str = r#"
title = "Coil"
[[step]]
name = "held on"
channel = "coil clamp"
quantity = "A DC"
between = "1.6 A to 1.8 A"
[[step]]
name = "pump"
channel = "coil clamp"
quantity = "A DC"
at_most = "30 A"
"#;

fn bay() -> Bay {
    let bay = Bay::with_bench(BENCH);
    bay.write("coil.toml", PROCEDURE);
    bay
}

#[test]
fn a_bench_alone_is_looked_at() {
    let bay = Bay::new();
    let meter = |name: &str, port: &str, line: &str| {
        format!("[[meter]]\nname = \"{name}\"\nport = \"{port}\"\nprotocol = \"number\"\n{line}\n")
    };
    bay.write("bench.toml", &meter("probe", "/dev/ttyUSB0", "baud = 11520"));
    let said = bay.bayline(["check", "--bench", "bench.toml"]).done();
    assert!(said.contains("baud = 11520 is unusual") && said.contains("the nearest is 9600"), "{said}");
    assert!(said.contains("1 meter, 0 channels, no mistake"), "{said}");
    bay.write("bench.toml", &(meter("probe", "/dev/ttyUSB0", "") + &meter("clamp", "/dev/ttyUSB0", "")));
    let said = bay.bayline(["check", "--bench", "bench.toml"]).failed(2);
    assert!(said.contains("bench.toml, line 8: found the port \"/dev/ttyUSB0\" a second time"), "{said}");
    bay.write("bench.toml", &meter("probe", "/dev/ttyUSB0", "rate = \"3\""));
    let said = bay.bayline(["check", "--bench", "bench.toml"]).failed(2);
    assert!(said.contains("found \"3\", expected a number and a unit") && said.contains("3 Hz"), "{said}");
    bay.write("bench.toml", &meter("probe", "/dev/ttyUSB0", "buad = 9600"));
    let said = bay.bayline(["check", "--bench", "bench.toml"]).failed(2);
    assert!(said.contains("unknown key `buad`, did you mean `baud`?"), "{said}");
}

#[test]
fn a_check_tells_what_can_not_work_and_says_so_by_its_status() {
    let bay = bay();
    let said = bay.bayline(["check", "--bench", "bench.toml", "--procedure", "coil.toml"]);
    assert_eq!(said.code, Some(2), "{said:?}");
    let lines: Vec<&str> = said.stdout.lines().collect();
    assert!(
        lines[0].starts_with("coil.toml, line 5: step \"held on\": doubtful: \"coil clamp\" is accurate to ± 54.27 mA")
    );
    assert!(lines[1].starts_with("coil.toml, line 10: step \"pump\": can't work: at most 30 A is beyond the range"));
    assert_eq!(lines[2], "2 steps: 1 can't work, 1 doubtful, 0 notes");

    let said = bay.bayline(["check", "--bench", "bench.toml", "--procedure", "coil.toml", "--json"]);
    let json: Value = serde_json::from_str(&said.stdout).unwrap();
    assert_eq!(
        (json["unfit"][1]["line"].as_u64(), json["unfit"][1]["weight"].as_str()),
        (Some(10), Some("can't work"))
    );

    bay.write("coil.toml", &PROCEDURE.replace("30 A", "15 A"));
    bay.bayline(["check", "--bench", "bench.toml", "--procedure", "coil.toml"]).done();
    bay.write("coil.toml", &PROCEDURE.replace("30 A", "30"));
    bay.bayline(["check", "--bench", "bench.toml", "--procedure", "coil.toml"]).failed(2);
}

#[test]
fn a_begin_tells_and_keeps_it() {
    let bay = bay();
    let _clamps = bay.meter("clamps");
    let daemon = bay.start();
    let begun =
        ["begin", "--procedure", "coil.toml", "--machine", "Lader Süd", "--vin", "ldr-00417", "--part", "63 °C"];
    let said = bay.bayline(begun).done();
    assert!(said.contains("warning: step \"held on\": doubtful: \"coil clamp\""), "{said}");
    assert!(said.contains("warning: step \"pump\": can't work: "), "{said}");
    let kept = bay.kept().rows("SELECT session || subject FROM event WHERE kind = 'meter not suited' ORDER BY id");
    assert_eq!(kept, ["2held on", "2pump"]);

    let found = bay.bayline(["sessions", "--find", "SÜD", "--json"]).done();
    let session: Value = serde_json::from_str(&found).unwrap();
    assert_eq!((session["number"].as_i64(), session["vin"].as_str()), (Some(2), Some("LDR-00417")));
    assert_eq!(session["part_c"].as_f64(), Some(63.0));
    assert_eq!(bay.bayline(["sessions", "--find", "elsewhere", "--json"]).done(), "");
    let shown = bay.bayline(["show", "2"]).done();
    assert!(shown.contains("VIN: LDR-00417\npart: 63 °C\n"), "{shown}");
    daemon.stop();
}

#[test]
fn a_sum_is_reckoned_without_a_daemon() {
    // Common practice, no source: a 6.2 ohm coil at 12.87 V is expected near 2.08 A.
    let said = Bay::new().bayline(["expect", "coil", "--volts", "12.87 V", "--ohms", "6.2 ohm", "--json"]).done();
    let sum: Value = serde_json::from_str(&said).unwrap();
    assert!((sum["amps"]["value"].as_f64().unwrap() - 2.08).abs() < 0.005, "{sum}");
    let shown = Bay::new().bayline(["expect", "wire", "--awg", "16", "--length", "3 m", "--amps", "8 A"]).done();
    assert!(shown.contains("share of 12 V"), "{shown}");
    assert_eq!(Bay::new().bayline(["expect", "wire", "--length", "3 m", "--amps", "8 A"]).code, Some(2));
    let sentence = Bay::new()
        .bayline(["expect", "wire", "--section", "1.4 mm2", "--class", "fixed", "--length", "3 m", "--amps", "8 A"])
        .failed(2);
    assert!(sentence.contains("nominal section"), "{sentence}");
}

/// Rows as on the data sheet of a 6000-count handheld meter; invented, in the manner that is common practice.
const HANDHELD_ROWS: &str = r#"
[[meter]]
name = "handheld"
port = "PORTS/handheld"
protocol = "number"
[[meter.channel]]
name = "probe"
accuracy = [
    { quantity = "V DC", range = "6 V", digit = "1 mV", accuracy = "0.8 % + 3 digits" },
    { quantity = "V DC", range = "60 V", digit = "10 mV", accuracy = "0.5 % + 2 digits" },
    { quantity = "ohm", range = "600 ohm", digit = "0.1 ohm", accuracy = "0.9 % + 2 digits" },
]
"#;

const TWO_FUNCTIONS: &str = r#"
title = "Feed and coil"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "drop"
channel = "probe"
quantity = "V DC"
at_most = "5 V"
[[step]]
name = "coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
[[step]]
name = "draw"
channel = "probe"
quantity = "A DC"
at_most = "50 mA"
"#;

#[test]
fn each_function_and_range_of_a_handheld_meter_has_its_own_uncertainty() {
    let bay = Bay::with_bench(HANDHELD_ROWS);
    let procedure = bay.write("two.toml", TWO_FUNCTIONS);
    let said = bay.bayline(["check", "--bench", "bench.toml", "--procedure", "two.toml"]).done();
    // 0.9 % of 8.1 ohm and 2 digits are 0.273 ohm, U = 2 · 0.273/√3 = 0.315 ohm of the ± 0.6 ohm that the limit leaves.
    for words in [
        "step \"coil\": doubtful: \"probe\" is accurate to ± 0.3151 ohm (k = 2)",
        "step \"draw\": note: no accuracy is given for A DC on channel \"probe\"",
        "4 steps: 0 can't work, 1 doubtful, 1 note",
    ] {
        assert!(said.contains(words), "no {words}: {said}");
    }

    let handheld = bay.meter("handheld");
    let mut daemon = bay.start_with(&["--procedure", crate::harness::text(&procedure)]);
    daemon.until_open(["handheld"]);
    // The second feed reading is 4.00 V in steps of 10 mV: it was measured on the 60 V range, though 6 V could hold it.
    for (count, line) in ["12.41 V", "4.00 V", "7.5 ohm", "0.020 A"].into_iter().enumerate() {
        handheld.line(line);
        daemon.until_samples(count as u64 + 1);
        daemon.take();
        daemon.step(if count < 3 { "next" } else { "again" });
    }
    daemon.stop();
    // Limits of error are rectangular, u = a/√3 (JCGM 100:2008, 4.3.7); U = 2 u in mV, mohm or mA:
    //   12.41 V: a = 0.5 % · 12.41 V + 2 · 10 mV = 82.05 mV, U = 94.7 mV
    //   4.00 V:  a = 0.5 % · 4.00 V + 2 · 10 mV = 40 mV,     U = 46.2 mV
    //   7.5 ohm: a = 0.9 % · 7.5 ohm + 2 · 0.1 ohm = 267.5 mohm, U = 308.9 mohm
    //   20 mA:   no row, so nobody knows
    // The temperature that was not told is in the u of the ohms; the meter alone is measured_u.
    let kept = bay.kept();
    assert_eq!(
        kept.rows(
            "SELECT CASE WHEN u IS NULL THEN '-' ELSE printf('%.1f', 2000 * COALESCE(measured_u, u)) END FROM capture ORDER BY id LIMIT 4"
        ),
        ["94.7", "46.2", "308.9", "-"]
    );
    assert_eq!(
        kept.rows("SELECT DISTINCT accuracy FROM channel"),
        ["V DC up to 6 V in steps of 1 mV: 0.8 % + 3 digits; V DC up to 60 V in steps of 10 mV: 0.5 % + 2 digits; \
          ohm up to 600 ohm in steps of 0.1 ohm: 0.9 % + 2 digits"]
    );
}

#[test]
fn a_clamp_driven_beyond_its_range_proves_nothing() {
    let bay = bay();
    let clamps = bay.meter("clamps");
    let mut daemon = bay.start_with(&["--procedure", "coil.toml"]);
    daemon.until_open(["clamps"]);
    daemon.step("pump");
    clamps.line("24.0");
    daemon.until_samples(1);
    let taken = daemon.take();
    let (verdict, reason) = (&taken["taken"][0]["verdict"], &taken["taken"][0]["reason"]);
    assert_eq!(verdict, "too close to call", "{taken}");
    let words = "24.0 A is more than the channel's range of 20 A: the true value may be larger, at most 30 A wanted";
    assert_eq!(reason, words);
    daemon.stop();
    // What was shown is kept; the capture is one of a value beyond the range.
    assert_eq!(bay.kept().rows("SELECT value FROM sample"), ["24"]);
    assert_eq!(bay.kept().rows("SELECT value, beyond, u FROM capture WHERE how = 'taken'"), ["- | 1 | -"]);
}
