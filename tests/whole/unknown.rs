//! Proves that a meter nobody told us about is named, recorded and replayed.

use std::fs;

use serde_json::Value;

use crate::harness::{Bay, text};

/// What `identify` prints, one object a candidate.
fn candidates(said: &str) -> Vec<Value> {
    said.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn an_unknown_meter_is_named_by_what_it_sends() {
    for (lines, protocol, first) in [
        ((0..60).map(|index| format!("12.{index:02} V")).collect::<Vec<_>>(), "number", "value = 12"),
        ((0..60).map(|index| format!("0.5{index:02},1.20,-0.003")).collect(), "columns", "v1 = 0.5"),
        ((0..60).map(|index| format!("lift=0.5{index:02} feed=12.4")).collect(), "pairs", "lift = 0.5"),
    ] {
        let bay = Bay::new();
        let meter = bay.meter("unknown");
        meter.lines(lines.iter().map(String::as_str));
        let port = bay.port("unknown");
        let said = bay.bayline(["identify", text(&port), "--for", "300 ms", "--json"]).done();
        let best = &candidates(&said)[0];
        assert_eq!(best["protocol"], protocol, "{said}");
        assert!(best["explained"].as_f64().unwrap() > 0.97, "{said}");
        assert!(best["first"][0].as_str().unwrap().starts_with(first), "{said}");
    }
}

#[test]
fn a_bench_file_is_begun_from_what_was_found() {
    let bay = Bay::new();
    let meter = bay.meter("board");
    let line = |index: usize| format!("lift=0.5{index:02} feed=12.4V");
    meter.lines((0..60).map(line).collect::<Vec<_>>().iter().map(String::as_str));
    let port = bay.port("board");
    let file = bay.path("bench.toml");
    bay.bayline(["identify", text(&port), "--for", "300 ms", "--write", text(&file)]).done();
    // It is a bench file as it stands.
    let mut daemon = bay.start();
    daemon.until_open(["meter"]);
    meter.line("lift=0.500 feed=12.4V");
    daemon.until_samples(2);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT DISTINCT name FROM channel ORDER BY name"), ["feed", "lift"]);
    meter.lines((0..60).map(line).collect::<Vec<_>>().iter().map(String::as_str));
    let refused = bay.bayline(["identify", text(&port), "--for", "300 ms", "--write", text(&file)]).failed(2);
    assert!(refused.contains("a second time") && refused.contains("meter \"meter\" has it"), "{refused}");
    // A second meter is added to the file, with names of its own.
    let other = bay.meter("other");
    other.lines((0..60).map(line).collect::<Vec<_>>().iter().map(String::as_str));
    bay.bayline(["identify", text(&bay.port("other")), "--for", "300 ms", "--write", text(&file)]).done();
    let said = bay.bayline(["check", "--bench", text(&file)]).done();
    assert!(said.contains("2 meters, 4 channels, no mistake"), "{said}");
    let both = fs::read_to_string(&file).unwrap();
    assert!(both.contains("name = \"meter 2\"") && both.contains("name = \"lift 2\"\nreads = \"lift\""), "{both}");
}

#[test]
fn a_slow_meter_is_waited_for() {
    let bay = Bay::new();
    let meter = bay.meter("slow");
    let port = bay.port("slow");
    let sender = std::thread::spawn(move || {
        for index in 0..12 {
            meter.bytes(format!("12.{index:02} V\r").as_bytes());
            std::thread::sleep(std::time::Duration::from_millis(700));
        }
        meter
    });
    let said = bay.bayline(["identify", text(&port), "--for", "1 s", "--json"]);
    sender.join().unwrap();
    assert_eq!(said.code, Some(0), "{said:?}");
    assert_eq!(candidates(&said.stdout)[0]["protocol"], "number", "{said:?}");
}

#[test]
fn a_silent_port_is_reported_to_be_silent() {
    let bay = Bay::new();
    let _meter = bay.meter("silent");
    let port = bay.port("silent");
    let said = bay.bayline(["identify", text(&port), "--for", "10 ms"]).failed(1);
    assert!(said.contains("nothing came from") && said.contains("--poll"), "{said}");
    // What fits nothing has another remedy than silence.
    let garbage = bay.meter("garbage");
    garbage.bytes(&[0xff, 0xfe, 0x81, 0x92].repeat(40));
    let said = bay.bayline(["identify", text(&bay.port("garbage")), "--for", "10 ms"]).failed(1);
    assert!(
        said.contains("160 bytes came") && said.contains("such as \"\\xff\\xfe") && said.contains("bayline capture"),
        "{said}"
    );
}

#[test]
fn a_capture_of_a_port_that_is_not_there_ends_and_says_so() {
    let bay = Bay::new();
    let said = bay.bayline(["capture", text(&bay.port("gone")), "-o", "x.capture", "--for", "200 ms"]);
    assert_eq!(said.code, Some(1), "{said:?}");
    assert!(said.stderr.contains("nothing came from"), "{said:?}");
    assert!(!bay.path("x.capture").exists(), "the next try may have the name");
}

#[test]
fn a_daemon_finds_out_by_itself_what_a_meter_speaks() {
    let bay = Bay::new();
    let meter = bay.meter("probe");
    meter.lines((0..60).map(|index| format!("12.{index:02} V")).collect::<Vec<_>>().iter().map(String::as_str));
    let port = bay.port("probe");
    let option = format!("probe={}", port.display());
    let mut daemon = bay.launch(bay.command(["run", "--meter", &option]));
    daemon.until_open(["probe"]);
    meter.line("11.9 V");
    daemon.until_samples(1);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT DISTINCT quantity FROM channel"), ["V DC"]);
}

#[test]
fn a_capture_is_replayed_as_if_the_meter_were_there() {
    let bay = Bay::new();
    let meter = bay.meter("probe");
    meter.lines(["12.41 V", "garbage", "12.42 V", "-0.5 V"]);
    let port = bay.port("probe");
    let capture = bay.path("probe.capture");
    let said = bay.bayline(["capture", text(&port), "-o", text(&capture), "--for", "300 ms"]).done();
    assert_eq!(said, "");
    let written = fs::read_to_string(&capture).unwrap();
    assert!(written.starts_with("bayline capture 1\n") && written.contains("\"12.41 V\\r\\n"), "{written}");
    bay.bayline(["capture", text(&port), "-o", text(&capture)]).failed(2);

    let option = format!("probe=file-fast:{},number", capture.display());
    let mut daemon = bay.launch(bay.command(["run", "--meter", &option]));
    daemon.until_samples(3);
    daemon.until_refused("probe", 1);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(kept.rows("SELECT value FROM reading ORDER BY row"), ["12.41", "12.42", "-0.5"]);
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'bad frame'"), 1);
}

#[test]
fn what_is_plugged_in_is_listed_for_people_and_scripts() {
    let bay = Bay::new();
    bay.bayline(["ports"]).done();
    for line in bay.bayline(["ports", "--json"]).done().lines() {
        assert!(serde_json::from_str::<Value>(line).unwrap()["port"].is_string(), "{line}");
    }
}

/// The reports themselves are read in `tests/guest`, where HID devices can be made.
#[test]
fn a_hid_cable_wants_to_be_described() {
    let bay = Bay::new();
    let capture = bay.path("cable.capture");
    let (cable, output) = ("hid:/dev/no-such-cable", text(&capture));
    for (arguments, words) in [
        (vec!["identify", cable], "--cable (lcd-mirror-14, "),
        (vec!["identify", cable, "--cable", "number"], "--cable number: protocol \"number\" has no [hid]"),
        (vec!["identify", "/dev/no-such-line", "--cable", "report-11"], "--cable is for HID cables"),
        (vec!["capture", cable, "-o", output, "--cable", "nothing"], "there is no protocol \"nothing\""),
        (vec!["run", "--meter", "probe=hid:/dev/no-such-cable"], "NAME=hid:/dev/no-such-cable,PROTOCOL"),
        (
            vec!["run", "--meter", "probe=hid:/dev/no-such-cable,number"],
            "protocol \"number\" has no [hid], so it is not known",
        ),
    ] {
        let said = bay.bayline(&arguments).failed(2);
        assert!(said.contains(words), "{arguments:?}: {said}");
    }
    // A cable that is described, but not there.
    let said = bay.bayline(["identify", cable, "--cable", "lcd-mirror-14"]).failed(1);
    assert!(said.contains("can't be opened: there is no such file or device"), "{said}");
    assert!(!capture.exists());
}

#[test]
fn a_recording_becomes_examples_that_hold() {
    let bay = Bay::new();
    let recording = bay.write(
        "meter.capture",
        "bayline capture 1\n# /dev/ttyUSB0, 9600 8N1\n0 opened\n151203 \"12.41 V\\r\\n12.42 V\\r\\n\"\n\
         252012 \"-0.31 V\\r\\nOL ohm\\r\\n\"\n300000 lost the other end closed it\n400000 \"damaged\\r\\n\"\n",
    );
    let drafted = bay.bayline(["protocols", "examples", text(&recording), "--protocol", "number"]).done();
    assert_eq!(drafted.matches("[[example]]").count(), 4, "{drafted}");
    assert!(drafted.contains("text = \"12.41 V\"\ngives = [\"value = 12.41 V, digit 0.01\"]"), "{drafted}");
    // With the parts of the shipped file before them they are a protocol file that proves itself.
    let (head, _) = include_str!("../../protocols/number.toml").split_once("[[example]]").unwrap();
    let own = bay.write("number.toml", &format!("{head}{drafted}"));
    assert!(bay.bayline(["protocols", "check", text(&own)]).done().contains("all 4 examples pass"));
    let refused = bay.bayline(["protocols", "examples", text(&recording), "--protocol", "scpi"]).failed(2);
    assert!(refused.contains("dialogue"), "{refused}");
    let missing = bay.bayline(["protocols", "examples", "gone.capture", "--protocol", "number"]).failed(2);
    assert!(missing.contains("gone.capture can't be read"), "{missing}");
}

/// Seen: a program that ended at once was called a port that can't be opened, with a look at the ports as remedy.
#[test]
fn a_program_that_ends_at_once_is_told_with_its_last_words() {
    let bay = Bay::new();
    let said = bay.bayline(["identify", "exec:sh -c 'echo looking; echo no such meter >&2; exit 4' ", "--for", "1 s"]);
    // What it printed before is listened to, and too little to go by.
    assert_eq!(said.code, Some(1), "{said:?}");
    let said = bay.bayline(["identify", "exec:sh -c 'echo no such meter >&2; exit 4'", "--for", "1 s"]);
    assert_eq!(said.code, Some(1), "{said:?}");
    let sentence = said.stderr.lines().find(|line| line.starts_with("bayline: ")).unwrap();
    for words in [
        "nothing can be read from exec:sh",
        "\"sh\" ended (exit status: 4); it said at last: no such meter",
        "run that command in a terminal",
    ] {
        assert!(sentence.contains(words) && !sentence.contains("can't be opened"), "{words}: {sentence}");
    }
    let said = bay.bayline(["identify", "exec:no-such-program-here"]).failed(1);
    assert!(said.contains("\"no-such-program-here\" can't be started: there is no such file"), "{said}");
}
