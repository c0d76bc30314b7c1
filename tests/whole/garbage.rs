//! Proves that bytes that make no sense are counted and told, and never stop a port.

use crate::harness::{Bay, HANDHELD, of_meter};

#[test]
fn garbage_is_counted_and_told_and_later_lines_are_read() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.line("12.1 V");
    handheld.bytes(b"\x00\xff\xfe\x80\r\n12.4?5\r\n");
    handheld.lines(["nan", "inf V", "-inf", "1e300 V", "9.91E37"]);
    handheld.line("12.2 V");
    daemon.until_samples(2);
    daemon.until_refused("handheld", 7);
    let kept = bay.kept();
    let reported = "SELECT text FROM event WHERE kind = 'bad frame' AND subject = 'handheld' ORDER BY id";
    kept.until(
        reported,
        &[
            r#"byte 2: found "\xff", expected UTF-8 text: \x00\xff\xfe\x80"#,
            r#"byte 1: found "12.4?5", expected a known unit behind the number: 12.4?5"#,
            r#"byte 1: found "nan", expected a finite number: nan"#,
            r#"byte 1: found "inf V", expected a number: inf V"#,
            r#"byte 1: found "-inf", expected a finite number: -inf"#,
            r#"byte 1: found "1e300 V", expected a number below 1e30: 1e300 V"#,
            r#"byte 1: found "9.91E37", 9.91E37 says that there is no number (SCPI): 9.91E37"#,
        ],
    );
    let status = daemon.status();
    assert_eq!(
        (of_meter(&status, "handheld")["open"].clone(), status["alarms"].to_string()),
        (true.into(), "[]".to_owned())
    );
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT value FROM sample ORDER BY rowid"), ["12.1", "12.2"]);
}

#[test]
fn only_the_first_few_of_a_kind_become_events() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for count in 0..1000 {
        handheld.line(&format!("hello {count}"));
    }
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.until_refused("handheld", 1000);
    daemon.stop();
    let kept = bay.kept();
    // And how many they were in all.
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'bad frame'"), 6);
    assert_eq!(
        kept.rows("SELECT text FROM event WHERE kind = 'bad frame' ORDER BY id DESC LIMIT 1"),
        ["1000 frames brought no reading, in the whole session"]
    );
    assert_eq!(kept.rows("SELECT value FROM sample"), ["12.41"]);
}

#[test]
fn what_one_session_was_told_is_news_to_the_next() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for count in 0..10 {
        handheld.line(&format!("hello {count}"));
    }
    daemon.until_refused("handheld", 10);
    bay.kept().until("SELECT COUNT(*) FROM event WHERE kind = 'bad frame'", &["5"]);
    daemon.ask(serde_json::json!({"do": "begin"}));
    for count in 10..20 {
        handheld.line(&format!("hello {count}"));
    }
    daemon.until_refused("handheld", 20);
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT session, COUNT(*), MIN(text) FROM event WHERE kind = 'bad frame' GROUP BY session"),
        [
            "1 | 6 | 10 frames brought no reading, in the whole session",
            "2 | 6 | 10 frames brought no reading, in the whole session"
        ]
    );
}

#[test]
fn a_line_without_an_end_is_cut_and_told_once() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    handheld.bytes(&[b'7'; 200_000]);
    // It is told before its end comes.
    daemon.until_refused("handheld", 1);
    handheld.bytes(b"\n12.2 V\n");
    daemon.until_samples(1);
    daemon.until_refused("handheld", 1);
    daemon.stop();
    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT substr(text, 1, 46) FROM event WHERE kind = 'bad frame'"),
        ["no end within 512 bytes; skipped to the next e"]
    );
    assert_eq!(kept.rows("SELECT value FROM sample"), ["12.2"]);
}

#[test]
fn a_bad_value_costs_only_itself() {
    let bay = Bay::with_bench(crate::harness::THREE);
    let [clamps, supply] = ["clamps", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start();
    daemon.until_open(["clamps", "supply"]);
    clamps.lines(["0.05,nan", "inf,0.02"]);
    supply.line("supply=NaN ground=0.1");
    daemon.until_samples(3);
    daemon.until_refused("clamps", 2);
    daemon.until_refused("supply", 1);
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT channel, round(value, 6) FROM reading ORDER BY channel"),
        ["block ground | 0.1", "lift coil | 0.5", "tilt coil | 0.2"]
    );
}

#[test]
fn a_channel_that_names_no_value_of_the_frame_is_an_alarm_and_an_event() {
    let bay = Bay::with_bench(
        r#"
[[meter]]
name = "supply"
port = "PORTS/supply"
protocol = "pairs"
[[meter.channel]]
name = "battery"
reads = "supply"
[[meter.channel]]
name = "block ground"
reads = "grund"
"#,
    );
    let supply = bay.meter("supply");
    let mut daemon = bay.start();
    daemon.until_open(["supply"]);
    for _ in 0..10 {
        supply.line("supply=12.4V ground=0.02V");
    }
    let sentence = "channel \"block ground\" reads \"grund\", which no frame of meter \"supply\" carries; they carry: supply, ground";
    daemon.until("the alarm", |status| status["alarms"] == serde_json::json!([sentence]));
    // The other channel is recorded all the same.
    daemon.until_samples(10);
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT kind, subject, text FROM event WHERE kind <> 'meter found'"),
        [format!("missing value | block ground | {sentence}")]
    );
}

/// A board of four columns, and a channel that reads the fifth: `check` can't know it, the first lines tell.
#[test]
fn a_column_that_no_line_has_is_an_alarm_once_the_count_is_known() {
    let bay = Bay::with_bench(
        "[[meter]]\nname = \"clamps\"\nport = \"PORTS/clamps\"\nprotocol = \"columns\"\n\
         [[meter.channel]]\nname = \"lift\"\nreads = \"v1\"\n[[meter.channel]]\nname = \"tilt\"\nreads = \"v5\"\n",
    );
    let clamps = bay.meter("clamps");
    let mut daemon = bay.start();
    daemon.until_open(["clamps"]);
    for count in 0..12 {
        clamps.line(&format!("1.{count:02},2.{count:02},3.{count:02},4.{count:02}"));
    }
    let status = daemon.until("the alarm", |status| status["alarms"] != serde_json::json!([]));
    let sentence =
        "channel \"tilt\" reads \"v5\", which no frame of meter \"clamps\" carries; they carry: v1, v2, v3, v4";
    assert_eq!(status["alarms"][0], sentence);
    daemon.stop();
}
