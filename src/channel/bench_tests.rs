//! Bench files right and wrong.

use super::*;
use crate::port::{DataBits, Flow, Level, Parity, Payload, StopBits};
use crate::{channel::QuickMeter, words};

fn parse(table: &str) -> Result<Bench, Mistake> {
    let text = format!("[[meter]]\nname = \"probe\"\nport = \"/dev/ttyUSB0\"\nprotocol = \"number\"\n{table}\n");
    Bench::parse("bench.toml", &text, &Library::new(Vec::new()))
}

#[test]
fn a_line_is_set_as_the_file_says() {
    let bench = parse(
        "baud = 2400\ndata_bits = 7\nparity = \"odd\"\nstop_bits = 2\nflow = \"xon/xoff\"\ndtr = \"on\"\nrts = \"off\"",
    )
    .unwrap();
    let expected = Settings {
        baud: 2400,
        data_bits: DataBits::Seven,
        parity: Parity::Odd,
        stop_bits: StopBits::Two,
        flow: Flow::Characters,
        dtr: Some(Level::On),
        rts: Some(Level::Off),
        hid: None,
    };
    assert_eq!(bench.meters[0].settings, expected);
    assert_eq!(parse("").unwrap().meters[0].settings, Settings::default());
}

#[test]
fn mistakes_in_the_line_s_settings_are_reported_by_line() {
    for (table, expected) in [
        ("baud = 0", "found 0, expected a whole number from 50 to 20000000"),
        ("data_bits = 9", "found 9, expected 5, 6, 7 or 8"),
        ("stop_bits = 3", "found 3, expected 1 or 2"),
        ("parity = \"mark\"", "found \"mark\", expected \"none\", \"even\" or \"odd\""),
        ("flow = \"hard\"", "found \"hard\", expected \"none\", \"rts/cts\" or \"xon/xoff\""),
        ("dtr = \"high\"", "found \"high\", expected \"on\" or \"off\""),
    ] {
        let mistake = parse(table).unwrap_err();
        assert_eq!((mistake.line, mistake.message.as_str()), (5, expected), "{table}");
    }
    let mistake = parse("flow = \"rts/cts\"\nrts = \"on\"").unwrap_err();
    assert_eq!(mistake.line, 6);
}

const GOOD: &str = r#"
[[meter]]
name = "clamps"
port = "/dev/ttyUSB0"
protocol = "columns"
rate = "10 Hz"

[[meter.channel]]
name = "coil clamp"
reads = "v1"
scale = "100 mV/A"
range = "60 A"
digit = "10 mA"
"#;

#[test]
fn what_a_channel_can_do_is_read() {
    let bench = Bench::parse("bench.toml", GOOD, &Library::new(Vec::new())).unwrap();
    let (meter, channel) = (&bench.meters[0], &bench.meters[0].channels[0]);
    assert_eq!(meter.rate, Some(10.0));
    assert_eq!(channel.range, Some(Measure { value: 60.0, dimension: Dimension::Ampere }));
    assert_eq!(channel.digit, Some(Measure { value: 0.01, dimension: Dimension::Ampere }));
}

/// Invented in the manner of a 6000-count meter's data sheet; common practice, no source.
const SHEET: &str = r#"
[[meter]]
name = "handheld"
port = "/dev/ttyUSB0"
protocol = "number"
[[meter.channel]]
name = "probe"
accuracy = [
    { quantity = "V DC", accuracy = "0.5 % + 2 digits" },
    { quantity = "V DC", range = "600 mV", digit = "0.1 mV", accuracy = "0.8 % + 3 digits" },
    { quantity = "ohm", range = "600 ohm", accuracy = "0.9 % + 5 digits" },
    { quantity = "A DC", accuracy = "1.5 % + 20 mA" },
]
"#;

#[test]
fn rows_of_a_data_sheet_are_read_in_any_order_and_kept_as_written() {
    let bench = Bench::parse("bench.toml", SHEET, &Library::new(Vec::new())).unwrap();
    let accuracy = bench.meters[0].channels[0].conversion.accuracy.as_ref().unwrap();
    assert_eq!(
        accuracy.text,
        "V DC: 0.5 % + 2 digits; V DC up to 600 mV in steps of 0.1 mV: 0.8 % + 3 digits; \
         ohm up to 600 ohm: 0.9 % + 5 digits; A DC: 1.5 % + 20 mA"
    );
    // What is stored of a channel is what the file has.
    assert_eq!(accuracy.text.parse(), Ok(accuracy.value.clone()));
    let sheet = &accuracy.value;
    let percent = |quantity, value| sheet.row_for(quantity, value, None).map(|row| row.accuracy.of_reading * 100.0);
    assert_eq!(percent(Quantity::VoltsDc, 0.5), Some(0.8));
    assert_eq!(percent(Quantity::VoltsDc, 12.0), Some(0.5));
    assert_eq!(percent(Quantity::VoltsAc, 12.0), None);
    assert_eq!(percent(Quantity::Ohms, 700.0), None);
}

#[test]
fn rows_of_a_channel_with_one_function_need_not_name_it() {
    let clamp = GOOD.replace(
        "range = \"60 A\"",
        "accuracy = [{ range = \"6 A\", accuracy = \"1 % + 5 mA\" }, { range = \"60 A\", accuracy = \"2 % + 50 mA\" }]",
    );
    let bench = Bench::parse("bench.toml", &clamp, &Library::new(Vec::new())).unwrap();
    let accuracy = bench.meters[0].channels[0].conversion.accuracy.as_ref().unwrap();
    assert_eq!(accuracy.text, "A DC up to 6 A: 1 % + 5 mA; A DC up to 60 A: 2 % + 50 mA");
}

#[test]
fn a_mistake_in_a_row_is_reported_with_its_line() {
    for (from, to, line, words) in [
        ("\"V DC\", accuracy", "\"volts\", accuracy", 9, "found \"volts\", expected one of \"V DC\""),
        ("quantity = \"ohm\", ", "", 11, "does not say for which function it is, expected quantity = \"V DC\""),
        ("\"600 mV\"", "\"600 mA\"", 10, "found \"600 mA\", expected a value above zero in V, such as \"6 V\""),
        ("\"600 mV\"", "\"600\"", 10, "a number and a unit"),
        ("\"600 ohm\"", "\"0 ohm\"", 11, "above zero in ohm"),
        ("\"0.1 mV\"", "\"0.1 mA\"", 10, "above zero in V"),
        ("\"0.1 mV\"", "\"0.6 V\"", 10, "found a digit of \"0.6 V\", expected one that is less than the range"),
        ("1.5 % + 20 mA", "good", 12, "found \"good\", expected an accuracy such as"),
        ("1.5 % + 20 mA", "1000 % + 20 mA", 12, "found \"1000 % + 20 mA\", expected at most 50 % and 10000 digits"),
        ("1.5 % + 20 mA", "1.5 % + 20 mV", 12, "found an accuracy in V, expected A"),
        (", accuracy = \"1.5 % + 20 mA\"", "", 12, "missing key `accuracy`"),
        ("range = \"600 ohm\"", "up_to = \"600 ohm\"", 11, "`up_to`"),
        ("quantity = \"A DC\"", "quantity = \"V DC\"", 12, "found an accuracy in A, expected V"),
        ("range = \"600 mV\", digit = \"0.1 mV\", ", "", 10, "found a second row for \"V DC\" without a range"),
        (
            "\"ohm\", range = \"600 ohm\", accuracy = \"0.9 % + 5 digits\"",
            "\"V DC\", range = \"0.6 V\", accuracy = \"1 %\"",
            11,
            "found a second row for \"V DC\" with range \"0.6 V\", expected one for each range",
        ),
        ("name = \"probe\"", "name = \"probe\"\nquantity = \"V DC\"", 12, "found a row for \"ohm\", expected \"V DC\""),
    ] {
        let text = SHEET.replacen(from, to, 1);
        assert_ne!(text, SHEET, "{from}");
        let mistake = Bench::parse("bench.toml", &text, &Library::new(Vec::new())).unwrap_err();
        assert!(mistake.message.contains(words), "{to}: {mistake}");
        assert_eq!(mistake.line, line, "{to}: {mistake}");
    }
    for (accuracy, words) in [
        ("3", "expected an accuracy such as \"0.5 % + 2 digits\", or a list of rows"),
        ("[]", "found no row"),
        ("[\"0.5 %\"]", "expected a row such as { quantity"),
        ("\"V DC: 0.5 %\"", "expected an accuracy such as"),
    ] {
        let mistake = parse(&format!("[[meter.channel]]\nname = \"c\"\naccuracy = {accuracy}")).unwrap_err();
        assert!(mistake.message.contains(words), "{accuracy}: {mistake}");
        assert_eq!(mistake.line, 7, "{accuracy}: {mistake}");
    }
}

#[test]
fn a_mistake_in_it_is_reported_with_its_line() {
    for (from, to, line, words) in [
        ("60 A", "60 V", 12, "expected a value above zero in A"),
        ("60 A", "-60 A", 12, "above zero"),
        ("60 A", "60", 12, "a number and a unit"),
        ("10 mA", "0 A", 13, "above zero"),
        ("10 Hz", "300000 Hz", 6, "a line with 9600 baud carries no more"),
        ("10 Hz", "10 s", 6, "expected a value above zero in Hz, such as \"3 Hz\""),
    ] {
        let mistake = Bench::parse("bench.toml", &GOOD.replacen(from, to, 1), &Library::new(Vec::new())).unwrap_err();
        assert!(mistake.message.contains(words), "{to}: {mistake}");
        assert_eq!(mistake.line, line, "{to}: {mistake}");
    }
}

/// A meter at a HID cable, with more lines in its table.
fn cabled(protocol: &str, lines: &str) -> Result<Bench, Mistake> {
    let text =
        format!("[[meter]]\nname = \"probe\"\nport = \"hid:/dev/hidraw0\"\nprotocol = \"{protocol}\"\n{lines}\n");
    Bench::parse("bench.toml", &text, &Library::new(Vec::new()))
}

#[test]
fn a_hid_cable_is_that_of_the_protocol_unless_the_bench_says_another() {
    let payload =
        |protocol: &str, lines: &str| cabled(protocol, lines).unwrap().meters[0].settings.hid.clone().unwrap().payload;
    let counted = Payload::Counted { at: 0, bits: 0x07, from: 1 };
    assert_eq!(payload("lcd-mirror-14", ""), counted);
    assert_eq!(payload("number", "cable = \"lcd-mirror-14\""), counted);
    let own = "[meter.hid]\npayload = { at = 3, count = 6 }";
    assert_eq!(payload("lcd-mirror-14", own), Payload::Fixed { from: 2, count: 6 });
    // A serial line has none.
    let serial = GOOD.replace("\"columns\"", "\"lcd-mirror-14\"").replace("\"v1\"", "\"value\"");
    let serial = Bench::parse("bench.toml", &serial, &Library::new(Vec::new())).unwrap();
    assert_eq!(serial.meters[0].settings.hid, None);
}

#[test]
fn a_hid_cable_that_nobody_describes_is_refused() {
    for (protocol, lines, line, words) in [
        ("number", "", 3, "protocol \"number\" has no [hid], so it is not known"),
        ("number", "cable = \"columns\"", 5, "protocol \"columns\" has no [hid]; those that have: lcd-mirror-14, "),
        ("number", "cable = \"nothing\"", 5, "there is no protocol \"nothing\""),
        ("scpi", "cable = \"lcd-mirror-14\"", 3, "protocol \"scpi\" asks its meter"),
        ("number", "cable = \"report-11\"\n[meter.hid]\npayload = { at = 1, count = 1 }", 5, "beside [meter.hid]"),
        (
            "number",
            "[meter.hid]\n\npayload = { at = 0, count = 1 }",
            7,
            "found 0, expected a whole number from 1 to 4096",
        ),
        ("number", "[meter.hid]\npayload = { at = 1, count = 1 }\nmasks = \"00\"", 7, "unknown key `masks`"),
    ] {
        let mistake = cabled(protocol, lines).unwrap_err();
        assert!(mistake.message.contains(words), "{lines}: {mistake}");
        assert_eq!(mistake.line, line, "{lines}: {mistake}");
    }
    for lines in ["cable = \"report-11\"", "[meter.hid]\npayload = { at = 1, count = 1 }"] {
        let mistake = parse(lines).unwrap_err();
        assert!(mistake.message.starts_with("found a HID cable at a port that is none"), "{mistake}");
    }
    let quick: QuickMeter = "probe=hid:/dev/hidraw0,number".parse().unwrap();
    let error = Bench::default().add(quick, &Library::new(Vec::new())).unwrap_err();
    assert!(error.to_string().contains("--meter probe: protocol \"number\" has no [hid]"), "{error}");
}

/// The words that the schema lists at a place are those of the parser's table.
#[test]
fn the_schema_lists_the_words_of_the_tables() {
    let schema: serde_json::Value = serde_json::from_str(BENCH_SCHEMA).unwrap();
    let meter = "/$defs/meter/properties";
    words::check_schema::<Parity>(&schema, &format!("{meter}/parity/enum"));
    words::check_schema::<Flow>(&schema, &format!("{meter}/flow/enum"));
    words::check_schema::<Level>(&schema, "/$defs/level/enum");
    words::check_usual_words::<Quantity>(&schema, "/$defs/quantity/examples");
}

#[test]
fn serial_numbers_and_dates_of_calibration_are_checked() {
    assert!(parse("serial_number = \"4711\"\ncalibrated = \"2026-03-01\"").is_ok());
    for (table, words) in [
        ("calibrated = \"last spring\"", "found \"last spring\", expected a date such as \"2026-03-01\""),
        ("calibrated = \"2026-02-30\"", "expected a date"),
        ("serial_number = \" \"", "found an empty serial number"),
        ("[[meter.channel]]\nname = \"x\"\ncalibrated = \"03/2026\"", "expected a date"),
    ] {
        let mistake = parse(table).unwrap_err().to_string();
        assert!(mistake.contains(words), "{table}: {mistake}");
    }
}
