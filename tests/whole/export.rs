//! Proves that an export holds what the database holds, in the form that was asked for, and nothing that runs.

use std::{
    fs,
    io::Read,
    process::{Command, Stdio},
};

use serde_json::{Value, json};

use crate::harness::{Bay, HANDHELD, THREE, text};

/// A session with hostile step names, values beyond the range, and two functions on one channel.
fn recorded() -> Bay {
    let bay = Bay::with_bench(THREE);
    let [clamps, handheld, supply] = ["clamps", "handheld", "supply"].map(|name| bay.meter(name));
    let mut daemon = bay.start_with(&["--machine", "loader 7"]);
    daemon.until_open(["clamps", "handheld", "supply"]);
    handheld.line("12.41 V");
    daemon.until_samples(1);
    daemon.step("=HYPERLINK(\"http://example.invalid\",\"lift\")");
    clamps.line("0.0512,OL");
    daemon.until_samples(3);
    handheld.lines(["7.49 kohm", "-0.125 V"]);
    daemon.until_samples(5);
    daemon.step("+tilt, \"slow\"");
    supply.lines(["supply=12.45 ground=-0.002", "supply=12.4 ground=0.1"]);
    daemon.until_samples(9);
    daemon.step("-cmd|' /C calc'!A0");
    daemon.note("@SUM(1+1)");
    daemon.take();
    daemon.stop();
    bay
}

/// A CSV file as a program reads it, and its title row.
fn sheet(text: &str, delimiter: u8) -> (Vec<String>, Vec<Vec<String>>) {
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).from_reader(text.as_bytes());
    let titles = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect());
    (titles, rows.collect())
}

#[test]
fn the_rows_of_the_csv_are_those_of_the_database() {
    let bay = recorded();
    let csv = bay.bayline(["export"]).done();
    let (titles, rows) = sheet(&csv, b',');
    assert_eq!(titles, ["elapsed_s", "time", "step", "channel", "value", "unit", "quantity", "verdict"]);
    assert_eq!(csv.matches("\r\n").count(), 10, "RFC 4180: lines end with CRLF");
    assert_eq!(csv.matches('\n').count(), 10);

    let kept = bay.kept();
    // SQLite's own words for the same cells; an apostrophe goes before what a spreadsheet would run.
    let same = kept.rows(
        "SELECT printf('%d.%06d', time_us / 1000000, time_us % 1000000),
            CASE WHEN step_name GLOB '[=+@-]*' THEN '''' || step_name ELSE coalesce(step_name, '') END,
            reading.channel, coalesce(reading.value, 'over'), unit, quantity
         FROM reading JOIN sample ON sample.rowid = row ORDER BY row",
    );
    let joined =
        |row: &Vec<String>| [&row[0], &row[2], &row[3], &row[4], &row[5], &row[6]].map(String::as_str).join(" | ");
    assert_eq!(rows.iter().map(joined).collect::<Vec<_>>(), same);
    assert_eq!(rows.len(), 9);
    let steps: Vec<&str> = rows.iter().map(|row| row[2].as_str()).collect();
    assert_eq!(steps[0], "");
    assert_eq!(steps[1], "'=HYPERLINK(\"http://example.invalid\",\"lift\")");
    assert_eq!(steps[8], "'+tilt, \"slow\"");
    // Numbers stay numbers, below zero as well.
    assert!(rows.iter().any(|row| row[4] == "-0.125") && rows.iter().any(|row| row[4] == "over"));

    // The time of a row is the session's begin and the elapsed time.
    let began = kept.number("SELECT began_utc_us FROM session");
    for row in &rows {
        let time: jiff::Timestamp = row[1].parse().unwrap();
        let elapsed: f64 = row[0].parse().unwrap();
        assert!((time.as_microsecond() - began - (elapsed * 1e6).round() as i64).abs() <= 1, "{row:?}");
    }
}

#[test]
fn a_decimal_comma_parts_columns_by_semicolons() {
    let bay = recorded();
    let point = sheet(&bay.bayline(["export"]).done(), b',');
    let comma = sheet(&bay.bayline(["export", "--decimal", "comma"]).done(), b';');
    assert_eq!(point.0, comma.0);
    for (point, comma) in point.1.iter().zip(&comma.1) {
        assert_eq!(comma[4], point[4].replace('.', ","));
        assert_eq!(comma[0], point[0].replace('.', ","));
        assert_eq!((&point[1..4], &point[5..]), (&comma[1..4], &comma[5..]));
    }
    assert_eq!(point.1.len(), comma.1.len());
}

#[test]
fn local_times_are_the_same_moments() {
    let bay = recorded();
    let times = |command: &mut Command| {
        let csv = String::from_utf8(command.output().unwrap().stdout).unwrap();
        sheet(&csv, b',').1.into_iter().map(|row| row[1].clone()).collect::<Vec<_>>()
    };
    let utc = times(&mut bay.command(["export"]));
    // POSIX writes what is west of Greenwich with a plus (IEEE 1003.1, 8.3, from memory).
    let local = times(bay.command(["export", "--local"]).env("TZ", "<-08>+8"));
    assert!(
        utc.iter().all(|time| time.ends_with('Z')) && local.iter().all(|time| time.ends_with("-08:00")),
        "{local:?}"
    );
    let moments = |times: &[String]| times.iter().map(|time| time.parse().unwrap()).collect::<Vec<jiff::Timestamp>>();
    assert_eq!(moments(&utc), moments(&local));
}

#[test]
fn one_column_a_channel_holds_the_means() {
    let bay = recorded();
    // An hour a row: everything in one.
    let (titles, rows) = sheet(&bay.bayline(["export", "--wide", "1 h"]).done(), b',');
    let cells: Vec<(&str, &str)> = titles.iter().map(String::as_str).zip(rows[0].iter().map(String::as_str)).collect();
    assert_eq!(rows.len(), 1);
    for (title, expected) in [
        ("probe (V DC)", 6.1425),
        ("probe (ohm)", 7490.0),
        ("lift coil (A DC)", 0.512),
        ("battery (V DC)", 12.425),
        ("block ground (V DC)", 0.049),
    ] {
        let (_, cell) =
            cells.iter().find(|(other, _)| *other == title).unwrap_or_else(|| panic!("no {title}: {titles:?}"));
        let value: f64 = cell.parse().unwrap();
        assert!((value - expected).abs() < 1e-9, "{title}: {value}");
    }
    assert!(cells.contains(&("tilt coil (A DC)", "over")), "{cells:?}");
    // A microsecond a row: what a channel showed twice at one moment is one cell, and nothing else is.
    let (_, rows) = sheet(&bay.bayline(["export", "--wide", "1 us"]).done(), b',');
    let filled: usize = rows.iter().map(|row| row[3..].iter().filter(|cell| !cell.is_empty()).count()).sum();
    let moments = "SELECT COUNT(*) FROM (SELECT DISTINCT time_us, channel FROM sample)";
    assert_eq!(filled as i64, bay.kept().number(moments));
}

#[test]
fn a_folder_holds_samples_steps_events_and_the_session() {
    let bay = recorded();
    let said = bay.bayline(["export", "1", "--folder", "out"]).done();
    assert_eq!(
        said,
        "out/samples.csv\nout/steps.csv\nout/events.csv\nout/excursions.csv\nout/dropouts.csv\nout/changes.csv\nout/responses.csv\nout/waveforms.csv\nout/session.json\n"
    );
    let read = |name: &str| fs::read_to_string(bay.path("out").join(name)).unwrap();
    let (_, samples) = sheet(&read("samples.csv"), b',');
    let (titles, steps) = sheet(&read("steps.csv"), b',');
    let (_, events) = sheet(&read("events.csv"), b',');
    let session: Value = serde_json::from_str(&read("session.json")).unwrap();
    assert_eq!((samples.len(), steps.len()), (9, 3));
    assert_eq!(steps[2][titles.iter().position(|title| title == "step").unwrap()], "'-cmd|' /C calc'!A0");
    assert!(events.iter().any(|event| event[2..] == ["note", "", "'@SUM(1+1)"]), "{events:?}");
    assert_eq!(events.len() as i64, bay.kept().number("SELECT COUNT(*) FROM event"));
    assert_eq!((&session["session"]["samples"], &session["session"]["machine"]), (&json!(9), &json!("loader 7")));
    // JSON is no spreadsheet: names stay as they are.
    assert_eq!(session["steps"][2]["name"], "-cmd|' /C calc'!A0");
    assert_eq!(session["channels"].as_array().unwrap().len(), 6);
    // Nothing half written is left.
    assert_eq!(fs::read_dir(bay.path("out")).unwrap().count(), 9);
}

#[test]
fn a_file_is_written_whole_or_told() {
    let bay = recorded();
    assert_eq!(bay.bayline(["export", "-o", "all.csv"]).done(), "all.csv\n");
    assert_eq!(fs::read_to_string(bay.path("all.csv")).unwrap(), bay.bayline(["export", "last"]).done());
    let sentence = bay.bayline(["export", "-o", "nowhere/all.csv"]).failed(1);
    assert!(sentence.contains("nowhere/all.csv can't be written"), "{sentence}");
    let sentence = bay.bayline(["export", "--folder", "all.csv/out"]).failed(1);
    assert!(sentence.contains("can't be written"), "{sentence}");
}

#[test]
fn an_open_session_can_be_exported_while_it_is_recorded() {
    let bay = Bay::with_bench(THREE);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    daemon.step("the drive");
    handheld.lines(["12.1 V", "12.2 V"]);
    daemon.until_samples(2);
    daemon.note("so far");
    let (_, rows) = sheet(&bay.bayline(["export"]).done(), b',');
    let seen: Vec<(&str, &str)> = rows.iter().map(|row| (row[2].as_str(), row[4].as_str())).collect();
    assert_eq!(seen, [("the drive", "12.1"), ("the drive", "12.2")]);
    handheld.line("12.3 V");
    daemon.until_samples(3);
}

#[test]
fn a_reader_that_ends_early_is_no_failure() {
    let bay = Bay::with_bench(THREE);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for count in 0..4000 {
        handheld.line(&format!("{count} V"));
    }
    daemon.until_samples(4000);
    daemon.stop();
    // More than a pipe holds, so that it must be met while writing.
    let mut process = bay.command(["export"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut stdout = process.stdout.take().unwrap();
    stdout.read_exact(&mut [0; 10]).unwrap();
    drop(stdout);
    let ended = process.wait_with_output().unwrap();
    assert!(ended.status.success() && ended.stderr.is_empty(), "{ended:?}");
    // Nobody at all.
    for arguments in
        [&["export"][..], &["export", "--wide", "1 ms"], &["show"], &["show", "--json"], &["sessions"], &["protocols"]]
    {
        let ended = to_nobody(bay.command(arguments));
        assert!(ended.status.success() && ended.stderr.is_empty(), "{arguments:?}: {ended:?}");
    }
    assert_eq!(sheet(&bay.bayline(["export"]).done(), b',').1.len(), 4000);
    assert!(fs::metadata(text(&bay.database())).unwrap().len() > 4000 * 10);
}

fn to_nobody(mut command: Command) -> std::process::Output {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    command.stdout(writer).stderr(Stdio::piped()).spawn().unwrap().wait_with_output().unwrap()
}

/// Seen: `-o` wrote over the database, the control socket and yesterday's CSV.
#[test]
fn nothing_is_written_over_without_a_word() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    daemon.note("all is well");
    let database = fs::read(bay.database()).unwrap();
    for name in
        ["data/bayline.db", "data/bayline.db-wal", "data/control.sock", "data/bayline.lock", "data/bayline-2.db"]
    {
        let sentence = bay.bayline(["export", "--force", "-o", name]).failed(2);
        assert!(sentence.contains(name) && sentence.contains("bayline's own data"), "{sentence}");
    }
    assert!(fs::read(bay.database()).unwrap() == database);
    bay.write("drive.csv", "yesterday's");
    let sentence = bay.bayline(["export", "-o", "drive.csv"]).failed(2);
    assert!(sentence.contains("drive.csv is there already") && sentence.contains("--force"), "{sentence}");
    assert_eq!(fs::read_to_string(bay.path("drive.csv")).unwrap(), "yesterday's");
    bay.bayline(["export", "--force", "-o", "drive.csv"]).done();
    assert!(fs::read_to_string(bay.path("drive.csv")).unwrap().starts_with("elapsed_s,"));
    bay.bayline(["export", "--folder", "out"]).done();
    assert!(bay.bayline(["export", "--folder", "out"]).failed(2).contains("samples.csv is there already"));
    // A dash is standard output, and a device stays a device.
    assert!(bay.bayline(["export", "-o", "-"]).done().starts_with("elapsed_s,"));
    assert!(!bay.path("-").exists());
    bay.bayline(["export", "-o", "/dev/null"]).done();
    assert!(!fs::metadata("/dev/null").unwrap().is_file());
    daemon.note("all is well again");
    daemon.stop();
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM event WHERE kind = 'note'"), 2);
}

/// After the lid was closed for ten minutes, the times in the sheet were still those of a computer that had not slept.
#[test]
fn times_follow_the_clock_after_the_computer_slept() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = bay.start();
    daemon.until_open(["handheld"]);
    for (count, line) in (1..).zip(["12.1 V", "12.2 V"]) {
        handheld.line(line);
        daemon.until_samples(count);
    }
    daemon.stop();
    // As the daemon anchors a pause: between the two samples the clocks went apart by ten minutes.
    let database = rusqlite::Connection::open(bay.database()).unwrap();
    let anchored = database.execute(
        "INSERT INTO anchor SELECT 1, sample.time_us, began_utc_us + sample.time_us + 600000000
         FROM sample, session WHERE sample.rowid = 2",
        [],
    );
    assert_eq!(anchored.unwrap(), 1);
    drop(database);
    let sheet = bay.bayline(["export", "last", "-o", "-"]).done();
    let mut rows = csv::Reader::from_reader(sheet.as_bytes());
    let rows: Vec<(f64, jiff::Timestamp)> = rows
        .records()
        .map(|row| {
            let row = row.unwrap();
            (row[0].parse().unwrap(), row[1].parse().unwrap())
        })
        .collect();
    let [(first_s, first), (second_s, second)] = rows[..] else { panic!("{sheet}") };
    let apart = second.duration_since(first).as_secs_f64() - (second_s - first_s);
    assert!((apart - 600.0).abs() < 1e-3, "{sheet}");
}
