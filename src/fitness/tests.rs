//! Benches that do not suit, one reason each.

use super::*;
use crate::{channel::Bench, protocol::Library};

const BENCH: &str = r#"
[[meter]]
name = "clamps"
port = "/dev/ttyUSB0"
protocol = "columns"
rate = "10 Hz"

[[meter.channel]]
name = "coil clamp"
reads = "v1"
quantity = "A DC"
scale = "100 mV/A"
accuracy = "1.5 % + 20 mA"
range = "60 A"
digit = "1 mA"

[[meter]]
name = "handheld"
port = "/dev/ttyUSB1"
protocol = "number"
amps_fuse = "10 A"

[[meter.channel]]
name = "probe"
accuracy = "0.5 % + 2 digits"
"#;

fn bench(text: &str) -> BenchFacts {
    BenchFacts::of(&Bench::parse("bench.toml", text, &Library::new(Vec::new())).unwrap())
}

/// What is found of one step with these keys.
fn found(bench: &BenchFacts, keys: &str) -> Vec<FitnessIssue> {
    let text = format!("title = \"t\"\n[[step]]\nname = \"s\"\n{keys}\n");
    check(&Procedure::parse("p.toml", &text).unwrap(), bench)
}

/// The weight of what is found whose words hold these.
fn weight(found: &[FitnessIssue], words: &str) -> Option<Severity> {
    found.iter().find(|issue| issue.to_string().contains(words)).map(|issue| issue.severity)
}

const AMPS: &str = "channel = \"coil clamp\"\nquantity = \"A DC\"\n";

#[test]
fn a_bench_that_suits_has_nothing_to_tell() {
    let fits = format!("{AMPS}between = \"1.4 A to 1.9 A\"\ncapture = \"steady\"");
    assert_eq!(found(&bench(BENCH), &fits), []);
}

/// 11.8 mV where 11.8 V was meant: a dead feed was in limit.
#[test]
fn a_feed_that_may_be_dead_is_doubted() {
    let feed = |least: &str| {
        let keys = format!(
            "channel = \"probe\"\nquantity = \"V DC\"\nat_least = \"{least}\"\ncircuit = \"lift coil\"\nrole = \"feed\""
        );
        found(&bench(BENCH), &keys)
    };
    assert_eq!(
        weight(&feed("11.8 mV"), "at least 11.8 mV is far below the voltage of any system"),
        Some(Severity::Doubtful)
    );
    assert_eq!(weight(&feed("11.8 V"), "far below"), None);
    assert_eq!(weight(&feed("4.75 V"), "far below"), None, "a sensor's feed");
}

#[test]
fn a_step_of_which_the_findings_can_make_nothing_is_noted() {
    let fits = format!("{AMPS}between = \"1.4 A to 1.9 A\"\ncircuit = \"lift coil\"");
    let bench = bench(BENCH);
    assert_eq!(weight(&found(&bench, &fits), "circuit \"lift coil\" is not given"), Some(Severity::Note));
    assert_eq!(found(&bench, &format!("{fits}\nrole = \"coil amps\"")), []);
}

#[test]
fn an_uncertainty_of_a_third_of_the_room_is_the_edge() {
    // JCGM 106:2012 7.6.3 (from memory): the capability index T/(2 U) of limits T apart; here 3 is wanted. At 1.8 A the
    // clamp is accurate to 1.5 % + 20 mA = 47 mA, U = 2 · 47/√3 = 54.3 mA: T must be 325.6 mA.
    let bench = bench(BENCH);
    let between = |low: f64| found(&bench, &format!("{AMPS}between = \"{low} A to 1.8 A\""));
    assert_eq!(between(1.474), []);
    let reported = between(1.475);
    assert_eq!(
        weight(&reported, "\"coil clamp\" is accurate to ± 54.27 mA (k = 2)"),
        Some(Severity::Doubtful),
        "{reported:?}"
    );
    // Limits guarded by U on both sides leave nothing from T = 2 U on.
    assert_eq!(weight(&between(1.692), "no value can be in limit"), Some(Severity::Fails));
    assert_eq!(weight(&between(1.691), "too close to call"), Some(Severity::Doubtful));
    let simple = found(&bench, &format!("{AMPS}between = \"1.75 A to 1.8 A\"\nrule = \"simple\""));
    assert_eq!(weight(&simple, "too close to call"), Some(Severity::Doubtful));
}

#[test]
fn one_sided_limits_have_their_own_room() {
    let volts = |accuracy: &str, limit: &str| {
        let bench = bench(&BENCH.replace("0.5 % + 2 digits", accuracy));
        found(&bench, &format!("channel = \"probe\"\nquantity = \"V DC\"\n{limit}"))
    };
    // At most 100 mV: from zero to the limit, ± 50 mV; a third is 16.7 mV. U = 2 a/√3: a of 14 mV is 16.2, of 15 mV 17.3.
    assert_eq!(volts("14 mV", "at_most = \"100 mV\""), []);
    assert_eq!(weight(&volts("15 mV", "at_most = \"100 mV\""), "third of that"), Some(Severity::Doubtful));
    assert_eq!(weight(&volts("90 mV", "at_most = \"100 mV\""), "no value can be in limit"), Some(Severity::Fails));
    // At least 11.8 V: a tenth of it, a third of which is 0.393 V; a of 0.35 V gives U = 0.404 V.
    assert_eq!(volts("0.33 V", "at_least = \"11.8 V\""), []);
    assert_eq!(weight(&volts("0.35 V", "at_least = \"11.8 V\""), "third of that"), Some(Severity::Doubtful));
}

#[test]
fn what_is_not_known_is_reported_once_and_not_guessed() {
    let text = "title = \"t\"\n".to_owned()
        + &["a", "b"].map(|name| format!("[[step]]\nname = \"{name}\"\nchannel = \"probe\"\nquantity = \"ohm\"\nnominal = \"7.5 ohm ± 8 %\"\ncapture = \"steady\"\n")).concat();
    let procedure = Procedure::parse("p.toml", &text).unwrap();
    let reported = check(&procedure, &bench(BENCH));
    assert_eq!(
        weight(&reported, "what the last digit of \"probe\" is worth in ohm is not known"),
        Some(Severity::Note)
    );
    assert_eq!(weight(&reported, "how often \"probe\" sends a reading is not known"), Some(Severity::Note));
    assert_eq!(reported.len(), 2, "{reported:?}");
    let unknown = check(&procedure, &bench(&BENCH.replace("accuracy = \"0.5 % + 2 digits\"", "")));
    assert_eq!(
        weight(&unknown, "no accuracy is given for ohm on channel \"probe\": values near"),
        Some(Severity::Note)
    );
    let other = check(&procedure, &bench(&BENCH.replace("0.5 % + 2 digits", "0.5 % + 5 mV")));
    assert_eq!(weight(&other, "no accuracy is given for ohm on channel \"probe\""), Some(Severity::Note));
}

#[test]
fn each_limit_is_held_against_the_row_of_its_function_and_range() {
    // Rows in the manner of a 6000-count meter's data sheet; invented, common practice.
    let rows = "[
    { quantity = \"V DC\", range = \"600 mV\", digit = \"0.1 mV\", accuracy = \"0.8 % + 3 digits\" },
    { quantity = \"V DC\", range = \"6 V\", digit = \"1 mV\", accuracy = \"0.5 % + 60 mV\" },
    { quantity = \"V DC\", range = \"60 V\", digit = \"10 mV\", accuracy = \"0.5 % + 2 digits\" },
    { quantity = \"ohm\", range = \"600 ohm\", digit = \"0.1 ohm\", accuracy = \"0.9 % + 5 digits\" },
    { quantity = \"A DC\", range = \"1 A\", digit = \"1 mA\", accuracy = \"10 %\" },
    { quantity = \"A DC\", accuracy = \"1.5 % + 3 digits\" },
]";
    let bench = bench(&BENCH.replace("\"0.5 % + 2 digits\"", rows));
    let reported = |quantity: &str, limit: &str| {
        found(&bench, &format!("channel = \"probe\"\nquantity = \"{quantity}\"\n{limit}"))
    };
    // U = 2 a/√3, JCGM 100 4.3.7. At 100 mV a is 0.8 mV + 0.3 mV and U 1.27 mV of the ± 50 mV that there are: nothing to
    // tell, the digit is known from the row. At 12 V a is 60 mV + 20 mV, U 92 mV.
    assert_eq!(reported("V DC", "at_most = \"100 mV\""), []);
    assert_eq!(reported("V DC", "at_least = \"12 V\""), []);
    assert_eq!(
        weight(&reported("V DC", "between = \"11.9 V to 12 V\""), "is accurate to ± 92.38 mV"),
        Some(Severity::Fails)
    );
    // One edge on each of two ranges: at 0.7 V a is 3.5 mV + 60 mV, U 73.3 mV; at 0.5 V it is 4.97 mV.
    assert_eq!(weight(&reported("V DC", "between = \"0.5 V to 0.7 V\""), "± 73.32 mV"), Some(Severity::Doubtful));
    // And the other way round: at 0.9 A a is 90 mA, U 104 mA.
    assert_eq!(weight(&reported("A DC", "between = \"0.9 A to 1.1 A\""), "± 103.9 mA"), Some(Severity::Fails));
    // A coil of 7.5 ohm: a is 0.0729 + 0.5 ohm at 8.1 ohm, U 0.661 ohm; the limits leave ± 0.6 ohm.
    assert_eq!(
        weight(&reported("ohm", "nominal = \"7.5 ohm ± 8 %\""), "no value can be in limit"),
        Some(Severity::Fails)
    );
    assert_eq!(
        weight(&reported("ohm", "nominal = \"0.4 ohm ± 20 %\""), "shows steps of 100 mohm"),
        Some(Severity::Doubtful)
    );
    // A row without a digit, beyond all rows, and no row at all.
    let amps = reported("A DC", "at_most = \"2 A\"");
    assert_eq!(
        weight(&amps, "what the last digit of \"probe\" is worth in A is not known"),
        Some(Severity::Note),
        "{amps:?}"
    );
    let far = reported("V DC", "at_most = \"100 V\"");
    assert_eq!(
        weight(&far, "no accuracy is given for V DC at 100.0 V on channel \"probe\""),
        Some(Severity::Note),
        "{far:?}"
    );
    let ac = reported("V AC", "at_most = \"100 mV\"");
    let words = "no accuracy is given for V AC on channel \"probe\": values near the limit are judged as if they were exact; add a row with quantity = \"V AC\"";
    assert_eq!(weight(&ac, words), Some(Severity::Note), "{ac:?}");
}

#[test]
fn each_function_without_an_accuracy_is_reported_once() {
    let step = |name: &str, keys: &str| format!("[[step]]\nname = \"{name}\"\nchannel = \"probe\"\n{keys}\n");
    let ohms = "quantity = \"ohm\"\nat_most = \"1 ohm\"";
    let text = format!(
        "title = \"t\"\n{}{}{}",
        step("a", ohms),
        step("b", "quantity = \"A DC\"\nat_most = \"1 A\""),
        step("c", ohms)
    );
    let rows = "[{ quantity = \"V DC\", accuracy = \"0.5 % + 2 digits\" }]";
    let reported =
        check(&Procedure::parse("p.toml", &text).unwrap(), &bench(&BENCH.replace("\"0.5 % + 2 digits\"", rows)));
    let words: Vec<&str> = reported.iter().map(|unfit| unfit.what.split(" on ").next().unwrap()).collect();
    assert_eq!(words, ["no accuracy is given for ohm", "no accuracy is given for A DC"]);
}

#[test]
fn a_coarse_display_is_reported() {
    let volts = |digit: &str| {
        let bench = bench(&BENCH.replace("2 digits\"", &format!("2 digits\"\ndigit = \"{digit}\"")));
        found(&bench, "channel = \"probe\"\nquantity = \"V DC\"\nat_most = \"100 mV\"")
    };
    assert_eq!(volts("1 mV"), []);
    assert_eq!(weight(&volts("20 mV"), "shows steps of 20 mV"), Some(Severity::Doubtful));
    assert_eq!(weight(&volts("100 mV"), "shows steps of"), Some(Severity::Fails));
    // The same display does for another unit: what it is worth there is not known.
    assert_eq!(
        weight(
            &found(
                &bench(&BENCH.replace("2 digits\"", "2 digits\"\ndigit = \"1 V\"")),
                "channel = \"probe\"\nquantity = \"ohm\"\nnominal = \"7.5 ohm ± 8 %\""
            ),
            "not known"
        ),
        Some(Severity::Note)
    );
}

#[test]
fn three_readings_must_fit_into_the_steady_time() {
    let at = |rate: &str| {
        found(
            &bench(&BENCH.replace("10 Hz", rate)),
            &format!("{AMPS}between = \"1.4 A to 1.9 A\"\ncapture = \"steady\""),
        )
    };
    assert_eq!(at("2 Hz"), []);
    assert_eq!(weight(&at("1.5 Hz"), "sends 1.5 readings a second"), Some(Severity::Doubtful));
    let slow = at("1 Hz");
    assert_eq!(
        weight(&slow, "too few for three in 1000 ms; set steady = \"3.0 s\""),
        Some(Severity::Fails),
        "{slow:?}"
    );
    // Who takes the value by hand needs one reading.
    assert_eq!(found(&bench(&BENCH.replace("10 Hz", "1 Hz")), &format!("{AMPS}between = \"1.4 A to 1.9 A\"")), []);
}

#[test]
fn what_lies_beyond_the_range_is_reported() {
    let bench = bench(BENCH);
    let reported = found(&bench, &format!("{AMPS}at_most = \"80 A\""));
    assert_eq!(weight(&reported, "at most 80 A is beyond the range of \"coil clamp\", 60 A"), Some(Severity::Fails));
    let reported = found(&bench, "channel = \"probe\"\nquantity = \"A DC\"\nat_most = \"15 A\"");
    assert_eq!(weight(&reported, "the fuse in the amps jack of \"handheld\" carries, 10 A"), Some(Severity::Fails));
    let reported = found(
        &bench,
        "channel = \"probe\"\nquantity = \"V DC\"\nat_most = \"15 V\"\nwhile = [{ channel = \"coil clamp\", at_least = \"80 A\" }]",
    );
    assert_eq!(weight(&reported, "at least 80 A is beyond the range"), Some(Severity::Fails));
}

#[test]
fn channels_that_are_not_there_or_give_something_else() {
    let bench = bench(BENCH);
    let reported = found(&bench, "channel = \"ground\"\nat_most = \"100 mV\"");
    assert_eq!(
        weight(&reported, "channel \"ground\" is not on the bench, which has: coil clamp, probe"),
        Some(Severity::Fails)
    );
    assert_eq!(reported[0].line, 4);
    let reported = found(&bench, "channel = \"coil clamp\"\nquantity = \"V DC\"\nat_most = \"100 mV\"");
    assert_eq!(weight(&reported, "measures A DC, but the step needs V DC"), Some(Severity::Fails));
    let reported = found(&bench, "channel = \"coil clamp\"\nat_most = \"100 mV\"");
    assert_eq!(weight(&reported, "measures A DC, but the step needs V"), Some(Severity::Fails));
    let reported = found(
        &bench,
        "channel = \"probe\"\nquantity = \"V DC\"\nat_most = \"15 V\"\nwhile = [{ channel = \"probe 2\", at_least = \"1 A\" }]",
    );
    assert_eq!(weight(&reported, "\"probe 2\" is not on the bench"), Some(Severity::Fails));
    let reported = found(
        &bench,
        "channel = \"probe\"\nquantity = \"ohm\"\nnominal = \"7.5 ohm ± 8 %\"\ntemperature = \"coil clamp\"",
    );
    assert_eq!(weight(&reported, "measures A DC, but the step needs °C"), Some(Severity::Fails));
}

#[test]
fn steps_that_are_not_judged_are_noted() {
    let bench = bench(BENCH);
    assert_eq!(weight(&found(&bench, ""), "the step has no channel: nothing is judged"), Some(Severity::Note));
    assert_eq!(weight(&found(&bench, "channel = \"coil clamp\""), "the step has no limit"), Some(Severity::Note));
    // Seen: of these it said that nothing is judged.
    let question = found(&bench, "answer = \"yes\"");
    assert_eq!(weight(&question, "asks a question: the answer is judged"), Some(Severity::Note));
    let moves = "when = [{ mark = \"\", channel = \"coil clamp\", must = \"come back\", within = \"2 s\" }]";
    let moves = found(&bench, moves);
    assert_eq!(weight(&moves, "what must follow what is judged"), Some(Severity::Note));
    for told in [question, moves] {
        assert_eq!(weight(&told, "nothing is judged"), None, "{told:?}");
    }
}

#[test]
fn a_coil_must_stay_on_until_its_value_counts() {
    let keys = |most: &str| {
        format!("{AMPS}between = \"1.4 A to 1.9 A\"\ncapture = \"steady\"\nafter = \"2 s\"\nhold_at_most = \"{most}\"")
    };
    assert_eq!(found(&bench(BENCH), &keys("5 s")), []);
    assert_eq!(
        weight(&found(&bench(BENCH), &keys("3 s")), "held on for 3000 ms, but a value counts only after 3000 ms"),
        Some(Severity::Fails)
    );
}

#[test]
fn meters_that_name_their_channels_themselves() {
    // `number` has one value, so its channel is known; `columns` brings its own names.
    let quick = |protocol: &str| {
        bench(&format!("[[meter]]\nname = \"board\"\nport = \"/dev/ttyUSB0\"\nprotocol = \"{protocol}\"\n"))
    };
    let keys = "channel = \"board\"\nquantity = \"V DC\"\nat_most = \"100 mV\"";
    assert_eq!(
        weight(&found(&quick("number"), keys), "no accuracy is given for V DC on channel \"board\""),
        Some(Severity::Note)
    );
    assert_eq!(quick("number").names, ChannelList::Complete);
    assert_eq!(
        weight(&found(&quick("columns"), keys), "not known before its meter sends readings"),
        Some(Severity::Note)
    );
}

/// Seen by a technician: a step with a limit by other values was said to have none.
#[test]
fn a_limit_by_other_values_is_a_limit() {
    let bench = bench(BENCH);
    let keys = "channel = \"probe\"\nquantity = \"V DC\"\n";
    let found_at = |limit: &str| found(&bench, &format!("{keys}{limit}"));
    let missing = found_at("at_most = \"0.5 V below battery\"");
    assert_eq!(weight(&missing, "channel \"battery\" is not on the bench"), Some(Severity::Fails));
    assert_eq!(weight(&missing, "has no limit"), None);
    let amps = found(&bench, &format!("{AMPS}at_most = \"2 mA above channel 'coil clamp'\""));
    assert_eq!(weight(&amps, "shows steps of 1 mA"), Some(Severity::Doubtful));
}

#[test]
fn a_channel_that_is_worked_out_is_as_accurate_as_what_it_is_made_of() {
    let derived = "\n[[derived]]\nname = \"coil volts\"\nof = \"probe - 'bare probe'\"\n";
    let meter = "\n[[meter]]\nname = \"other\"\nport = \"/dev/ttyUSB2\"\nprotocol = \"number\"\n[[meter.channel]]\n\
                 name = \"bare probe\"\n";
    let bench = bench(&format!("{BENCH}{meter}{derived}"));
    let found = found(&bench, "channel = \"coil volts\"\nquantity = \"V DC\"\nat_least = \"11 V\"");
    assert_eq!(weight(&found, "on channel \"bare probe\""), Some(Severity::Note));
    assert_eq!(weight(&found, "on channel \"coil volts\""), None);
    assert_eq!(weight(&found, "on channel \"probe\""), None);
}

/// The uncertainty of a delay by hand: intervals and a reaction time of 300 ms, rectangular (JCGM 100 4.3.7).
#[test]
fn meters_too_slow_for_a_delay_are_told() {
    let fast = BENCH.replace("rate = \"10 Hz\"", "rate = \"400 Hz\"");
    let slow = BENCH.replace("rate = \"10 Hz\"", "rate = \"3 Hz\"");
    let rule = |trigger: &str, within: &str| {
        format!(
            "capture = \"worst\"\nwhen = [{{ {trigger}, channel = \"coil clamp\", to = \"at most 50 mA\", within = \"{within}\" }}]"
        )
    };
    let (change, mark) = ("change = \"coil clamp\"", "mark = \"drive\"");
    let told = |text: &str, keys: &str| {
        let found = found(&bench(text), keys);
        found
            .into_iter()
            .find(|issue| issue.what.contains("the delay of"))
            .map(|issue| (issue.severity, issue.to_string()))
    };
    assert_eq!(told(&fast, &rule(change, "100 ms")), None);
    let (severity, text) = told(&slow, &rule(change, "100 ms")).unwrap();
    assert_eq!(severity, Severity::Fails);
    // 2 × √2 × 333 ms / √12 = 272 ms.
    assert!(
        text.contains("known to ± 272 ms (k = 2), but 100 ms is allowed") && text.contains("120 readings"),
        "{text}"
    );
    assert_eq!(told(&slow, &rule(change, "500 ms")).unwrap().0, Severity::Doubtful);
    // 2 × 300 ms / √3 = 346 ms.
    let (severity, text) = told(&fast, &rule(mark, "200 ms")).unwrap();
    assert_eq!(severity, Severity::Fails);
    assert!(text.contains("± 346 ms") && text.contains("instead of a mark by hand"), "{text}");
    assert_eq!(told(&fast, &rule(mark, "2 s")), None);
    let unknown = BENCH.replace("rate = \"10 Hz\"\n", "");
    let found = found(&bench(&unknown), &rule(change, "100 ms"));
    assert!(found.iter().any(|issue| issue.what.contains("how sure a delay is")), "{found:?}");
}
