//! Proves that what can't work is refused at the start, with a sentence that helps and an exit status that tells why.

use std::fs;

use crate::harness::{Bay, HANDHELD, ProgramOutput, THREE, text};

/// Where in its file something is wrong, and words that the sentence must hold.
struct Wrong<'a> {
    from: &'a str,
    to: &'a str,
    line: usize,
    words: &'a [&'a str],
}

const fn wrong<'a>(from: &'a str, to: &'a str, line: usize, words: &'a [&'a str]) -> Wrong<'a> {
    Wrong { from, to, line, words }
}

const BENCH: &str = r#"
[[meter]]
name = "clamps"
port = "/dev/nowhere"
protocol = "columns"
baud = 115200
[[meter.channel]]
name = "lift coil"
reads = "v1"
quantity = "A DC"
scale = "100 mV/A"
accuracy = "1.5 % + 20 mA"
[[meter]]
name = "handheld"
port = "tcp://bay-3:4001"
protocol = "number"
[[meter.channel]]
name = "probe"
reads = "value"
"#;

#[test]
fn each_mistake_in_a_bench_file_is_reported_with_its_line() {
    let bay = Bay::new();
    for Wrong { from, to, line, words } in [
        wrong("baud = 115200", "bauds = 115200", 6, &["`bauds`", "`baud`"]),
        wrong("baud = 115200", "baud = \"fast\"", 6, &["found \"fast\"", "a whole number"]),
        wrong("baud = 115200", "baud = 0", 6, &["found 0", "a whole number from 50 to 20000000"]),
        wrong("port = \"/dev/nowhere\"\n", "", 2, &["missing key `port`"]),
        wrong("name = \"lift coil\"\n", "", 7, &["missing key `name`"]),
        wrong("\"A DC\"", "\"A\"", 10, &["\"A\"", "\"A DC\""]),
        wrong("\"100 mV/A\"", "\"100 mX/A\"", 11, &["mX"]),
        wrong("\"100 mV/A\"", "\"100\"", 11, &["\"100\"", "\"100 mV/A\""]),
        wrong("\"100 mV/A\"", "\"100 mV/bar\"", 11, &["Pa", "\"A DC\""]),
        wrong("\"1.5 % + 20 mA\"", "\"good\"", 12, &["\"good\"", "\"1.5 % + 20 mA\""]),
        wrong("\"1.5 % + 20 mA\"", "\"1.5 % + 20 mV\"", 12, &["accuracy in V", "A"]),
        wrong("\"columns\"", "\"colums\"", 5, &["\"colums\"", "columns"]),
        wrong("\"handheld\"", "\"clamps\"", 14, &["second meter named \"clamps\""]),
        wrong("\"probe\"", "\"lift coil\"", 18, &["second channel named \"lift coil\"", "clamps"]),
        wrong("\"handheld\"", "\" \"", 14, &["empty name"]),
        wrong("reads = \"value\"", "reads = \"volts\"", 19, &["\"volts\"", "\"number\"", "value"]),
        wrong("reads = \"v1\"\n", "", 8, &["which value of the frame"]),
        wrong("tcp://bay-3:4001", "tcp://bay-3", 15, &["tcp://bay-3", "tcp://host:4001"]),
        wrong("[[meter.channel]]\nname = \"lift", "[[meter.channel]\nname = \"lift", 7, &["]"]),
        wrong("baud = 115200", "baud = 115200 fast", 6, &[]),
    ] {
        assert!(BENCH.contains(from), "{from}");
        bay.write("wrong.toml", &BENCH.replacen(from, to, 1));
        let sentence = bay.bayline(["run", "--bench", "wrong.toml"]).failed(2);
        assert!(sentence.starts_with(&format!("bayline: wrong.toml, line {line}: ")), "{to}: {sentence}");
        for word in words {
            assert!(sentence.contains(word), "no {word} for {to}: {sentence}");
        }
    }
    // Nothing was begun for any of them.
    assert!(!bay.data().exists());
}

const PROCEDURE: &str = r#"
title = "Valve block"
[[step]]
name = "feed"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
[[step]]
name = "ohms"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
"#;

#[test]
fn each_mistake_in_a_procedure_file_is_reported_with_its_line() {
    let bay = Bay::with_bench(HANDHELD);
    for Wrong { from, to, line, words } in [
        wrong("at_least = \"11.8 V\"", "at_last = \"11.8 V\"", 7, &["`at_last`", "`at_least`"]),
        wrong("\"11.8 V\"", "\"11.8\"", 7, &["\"11.8\"", "a number and a unit"]),
        wrong("\"11.8 V\"", "\"11.8 A\"", 7, &["11.8 A", "limit in V"]),
        wrong("\"7.5 ohm ± 8 %\"", "\"7.5 ohm\"", 12, &["\"7.5 ohm\""]),
        wrong("\"ohms\"", "\"feed\"", 9, &["second step named \"feed\""]),
        wrong("\"ohms\"", "\"skip\"", 9, &["\"skip\"", "other than"]),
        wrong("quantity = \"ohm\"", "quantity = \"mho\"", 11, &["\"mho\"", "\"ohm\""]),
        wrong("title = \"Valve block\"\n", "", 1, &["missing key `title`"]),
        wrong("\"probe\"", "\"prode\"", 5, &["\"prode\"", "bench does not have", "probe"]),
        wrong("[[step]]", "[[step]", 3, &[]),
    ] {
        assert!(PROCEDURE.contains(from), "{from}");
        bay.write("wrong.toml", &PROCEDURE.replacen(from, to, 1));
        let sentence = bay.bayline(["run", "--bench", "bench.toml", "--procedure", "wrong.toml"]).failed(2);
        assert!(sentence.starts_with(&format!("bayline: wrong.toml, line {line}: ")), "{to}: {sentence}");
        for word in words {
            assert!(sentence.contains(word), "no {word} for {to}: {sentence}");
        }
    }
    assert!(!bay.data().exists());
}

#[test]
fn a_mistake_in_a_procedure_that_is_begun_leaves_the_session_open() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    bay.write("wrong.toml", &PROCEDURE.replace("at_least", "at_last"));
    assert!(bay.bayline(["begin", "--procedure", "wrong.toml"]).failed(2).contains("wrong.toml, line 7"));
    assert!(bay.bayline(["begin", "--procedure", "none.toml"]).failed(2).contains("none.toml can't be read"));
    // Only the daemon knows the bench.
    bay.write("other.toml", &PROCEDURE.replace("\"probe\"", "\"prode\""));
    let sentence = bay.bayline(["begin", "--procedure", "other.toml"]).failed(1);
    assert!(sentence.contains("other.toml, line 5: step \"feed\" reads channel \"prode\""), "{sentence}");
    assert!(sentence.contains("expected one of: probe"), "{sentence}");
    daemon.note("still here");
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM session"), 1);
}

#[test]
fn files_that_are_not_there_are_reported() {
    let bay = Bay::with_bench(HANDHELD);
    let run = |arguments: &[&str]| bay.bayline(["run"].iter().chain(arguments)).failed(2);
    assert!(
        run(&["--bench", "none.toml"])
            .contains("the bench file none.toml can't be read: there is no such file or device")
    );
    let none = run(&["--bench", "bench.toml", "--procedure", "none.toml"]);
    assert!(none.contains("the procedure file none.toml can't be read: there is no such file or device"), "{none}");
    fs::write(bay.path("latin1.toml"), b"# \xb5s\n").unwrap();
    assert!(run(&["--bench", "latin1.toml"]).contains("latin1.toml can't be read"));
    let file = bay.bayline(["protocols", "check", "none.toml"]).failed(2);
    assert!(file.contains("none.toml"), "{file}");
    // The system's word was told twice: once in the sentence, once as its cause.
    for option in ["--bench", "--procedure"] {
        let sentence = run(&["--meter", "probe=/dev/null,number", option, "none.toml"]);
        assert_eq!(sentence.matches("there is no such file or device").count(), 1, "{sentence}");
    }
}

#[test]
fn a_bench_without_a_meter_is_refused() {
    let bay = Bay::with_bench("meter = []\n");
    let sentence = bay.bayline(["run", "--bench", "bench.toml"]).failed(2);
    assert!(sentence.contains("the bench has no meter"), "{sentence}");
}

#[test]
fn words_that_make_no_command_are_usage() {
    let bay = Bay::new();
    for arguments in [
        &["run", "--meter"][..],
        &["frobnicate"],
        &["run", "--meter", "probe"],
        &["run", "--meter", "probe=/dev/ttyUSB0,"],
        &["export", "--wide", "fast"],
        &["export", "-o", "x.csv", "--folder", "y"],
        &["step"],
    ] {
        let said = bay.bayline(arguments);
        assert_eq!(said.code, Some(2), "{arguments:?}: {said:?}");
        assert!(said.stderr.contains("error:") && said.stdout.is_empty(), "{said:?}");
    }
    for (meter, words) in [("x=/dev/nowhere,colums", "\"colums\""), ("y=ftp://host,number", "ftp://host")] {
        let said = bay.bayline(["run", "--meter", meter]);
        assert!(said.code == Some(2) && said.stderr.contains(words), "{said:?}");
    }
    // Without a bench the page sets one up; without both there is nothing to run.
    let alone = bay.bayline(["run", "--page", "off"]).failed(2);
    assert!(alone.contains("name a bench file with --bench, or a meter with --meter"), "{alone}");
    let log = bay.bayline(["run", "--meter", "x=/dev/nowhere,number", "--log", "bayline=loud"]).failed(2);
    assert!(log.contains("--log") && log.contains("loud"), "{log}");
}

#[test]
fn a_second_daemon_on_the_same_folder_is_refused_with_the_holder() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    let sentence = bay.bayline(["run", "--bench", "bench.toml", "--log", "off"]).failed(1);
    assert!(sentence.contains(&format!("in use by another bayline (process {})", daemon.process())), "{sentence}");
    // The first one has not noticed.
    daemon.note("still here");
    daemon.stop();
    bay.start().stop();
}

#[test]
fn a_data_folder_that_can_not_be_written_is_reported() {
    let bay = Bay::with_bench(HANDHELD);
    let run = || bay.bayline(["run", "--bench", "bench.toml", "--log", "off"]).failed(1);
    fs::write(bay.data(), "a file in its place").unwrap();
    let sentence = run();
    assert!(sentence.contains(text(&bay.data())) && sentence.contains("can't be written"), "{sentence}");
    fs::remove_file(bay.data()).unwrap();

    fs::create_dir_all(bay.database()).unwrap();
    let sentence = run();
    assert!(sentence.contains("bayline.db can't be opened"), "{sentence}");
    fs::remove_dir(bay.database()).unwrap();

    fs::write(bay.database(), "this was a database once, or so it says, but it is text now\n".repeat(40)).unwrap();
    let sentence = run();
    assert!(
        sentence.contains("bayline.db can't be opened: it is not a database, or its beginning is damaged"),
        "{sentence}"
    );
}

#[test]
fn a_database_of_a_newer_program_is_left_alone() {
    let bay = Bay::with_bench(HANDHELD);
    bay.start().stop();
    let newer = rusqlite::Connection::open(bay.database()).unwrap();
    newer.pragma_update(None, "user_version", 1000).unwrap();
    drop(newer);
    for arguments in [&["run", "--bench", "bench.toml", "--log", "off"][..], &["show"], &["sessions"], &["export"]] {
        let sentence = bay.bayline(arguments).failed(1);
        assert!(sentence.contains("version 1000"), "{arguments:?}: {sentence}");
    }
    assert_eq!(bay.kept().rows("SELECT ended_how FROM session"), ["stopped"]);
}

#[test]
fn a_folder_too_deep_for_a_socket_is_reported() {
    let bay = Bay::with_bench(HANDHELD);
    let deep = bay.path(&"deep/".repeat(20));
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_bayline"));
    bay.at_home(&mut command).args(["run", "--bench", "bench.toml", "--log", "off", "--data", text(&deep)]);
    let sentence = ProgramOutput::by(command).failed(1);
    assert!(sentence.contains("too long for a socket"), "{sentence}");
}

#[test]
fn without_a_daemon_or_a_database_every_command_says_so() {
    let bay = Bay::new();
    for arguments in
        [&["status"][..], &["step", "next"], &["begin"], &["end"], &["take"], &["mark"], &["note", "x"], &["watch"]]
    {
        let sentence = bay.bayline(arguments).failed(3);
        assert!(
            sentence.contains("no daemon is running") && sentence.contains("bayline run"),
            "{arguments:?}: {sentence}"
        );
    }
    for arguments in [&["sessions"][..], &["show"], &["export"]] {
        let sentence = bay.bayline(arguments).failed(1);
        assert!(sentence.contains("there is no database"), "{arguments:?}: {sentence}");
    }
    assert!(!bay.data().exists());
}

#[test]
fn a_protocol_of_ones_own_comes_first_and_a_broken_one_is_reported() {
    let bay = Bay::with_bench(&THREE.replace("\"number\"", "\"shop\""));
    assert!(bay.bayline(["run", "--bench", "bench.toml"]).failed(2).contains("bench.toml, line"));
    fs::create_dir(bay.path("mine")).unwrap();
    let number = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/number.toml")).unwrap();
    bay.write("mine/shop.toml", &number.replace("name = \"number\"", "name = \"shop\""));
    bay.start_with(&["--protocols", "mine"]).stop();
    let said = bay.bayline(["protocols", "check", "mine/shop.toml"]).done();
    assert!(said.contains("shop: all 8 examples pass"), "{said}");

    bay.write(
        "mine/shop.toml",
        &number.replace("name = \"number\"", "name = \"shop\"").replace("value = -12\"", "value = 12\""),
    );
    let said = bay.bayline(["protocols", "check", "mine/shop.toml"]);
    assert!(said.code == Some(2) && said.stderr.contains("one example fails"), "{said:?}");
    bay.write("mine/shop.toml", "name = \"shop\"\nabout = 3\n");
    let sentence = bay.bayline(["run", "--bench", "bench.toml", "--protocols", "mine"]).failed(2);
    assert!(sentence.contains("mine/shop.toml, line "), "{sentence}");
}
