//! From bytes to committed rows, beside the same rows inserted by bare rusqlite.
//!
//! `cargo bench --bench pipeline`. The pipeline is the daemon's own: decode and bind, the session
//! core judging every sample, the writer thread with its groups and synced commits. The bare insert
//! knows its rows beforehand and does nothing but bind and step, fifty rows a statement.

#![allow(clippy::disallowed_methods, reason = "a benchmark is about time")]

use std::{
    fmt::Write as _,
    path::Path,
    sync::mpsc::{Receiver, channel},
    time::Instant,
};

use bayline::{
    channel::{Batch, Bench, ChannelIds, Meter, MeterEvent, MeterId},
    clock::{Mono, Wall},
    procedure::Procedure,
    protocol::Library,
    session::{Begin, Command, Core, CoreEvent, Effect, SessionExit, Visit},
    store::{Store, WriterReport},
};
use rusqlite::Connection;

const CHANNELS: usize = 4;
const LINES: usize = 500_000;
/// As much as a busy port hands over at once, bytes.
const CHUNK: usize = 4096;
const GROUP: usize = 20_000;
const ROUNDS: usize = 3;

const BENCH: &str = r#"
[[meter]]
name = "clamps"
port = "/dev/null"
protocol = "columns-us"
channel = [
    { name = "lift coil", reads = "v1", quantity = "A DC", scale = "100 mV/A", accuracy = "1.5 % + 20 mA" },
    { name = "tilt coil", reads = "v2", quantity = "A DC", scale = "100 mV/A", accuracy = "1.5 % + 20 mA" },
    { name = "feed", reads = "v3", quantity = "V DC", accuracy = "0.5 % + 2 digits" },
    { name = "ground", reads = "v4", quantity = "V DC", accuracy = "0.5 % + 2 digits" },
]
"#;

const PROCEDURE: &str = r#"
title = "bench"
[[step]]
name = "watch the ground"
channel = "ground"
quantity = "V DC"
at_most = "100 mV"
capture = "worst"
"#;

fn main() {
    let bytes = lines();
    println!("{} lines, {} samples, {:.1} MB of text", LINES, LINES * CHANNELS, bytes.len() as f64 / 1e6);
    println!("{:<10} {:>14} {:>14} {:>16}", "", "samples/s", "CPU s", "samples/CPU s");
    let mut ratios = Vec::new();
    for _ in 0..ROUNDS {
        let whole = report("pipeline", |path| pipeline(path, &bytes));
        let bare = report("bare", bare_insert);
        ratios.push((whole.0 / bare.0, whole.1 / bare.1));
    }
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    println!("pipeline / bare, median of {ROUNDS}: {:.2} by wall clock", ratios[ROUNDS / 2].0);
    ratios.sort_by(|a, b| a.1.total_cmp(&b.1));
    println!("pipeline / bare, median of {ROUNDS}: {:.2} by CPU time of all threads", ratios[ROUNDS / 2].1);
}

/// Samples a second by wall clock and by CPU time.
fn report(name: &str, run: impl FnOnce(&Path)) -> (f64, f64) {
    let folder = tempfile::tempdir_in(".").expect("a folder on the disk that is measured");
    let path = folder.path().join("bench.db");
    let (began, cpu) = (Instant::now(), cpu_seconds());
    run(&path);
    let (took, cpu) = (began.elapsed().as_secs_f64(), cpu_seconds() - cpu);
    let samples = (LINES * CHANNELS) as f64;
    let stored: i64 = Connection::open(&path)
        .and_then(|connection| connection.query_row("SELECT COUNT(*) FROM sample", [], |row| row.get(0)))
        .expect("the rows can be counted");
    assert_eq!(stored, (LINES * CHANNELS) as i64, "every sample is stored");
    println!("{name:<10} {:>14.0} {cpu:>14.2} {:>16.0}", samples / took, samples / cpu);
    (samples / took, samples / cpu)
}

fn lines() -> Vec<u8> {
    let mut text = String::new();
    for line in 0..LINES {
        let wave = (line as f64 * 0.01).sin();
        let (lift, tilt) = (0.05 + 0.04 * wave, 0.06 - 0.03 * wave);
        let (feed, ground) = (12.6 - 0.2 * wave, 0.08 + 0.03 * wave);
        writeln!(text, "{},{lift:.4},{tilt:.4},{feed:.3},{ground:.4}", line * 1000).expect("a String takes it");
    }
    text.into_bytes()
}

fn pipeline(path: &Path, bytes: &[u8]) {
    let bench = Bench::parse("bench", BENCH, &Library::new(Vec::new())).expect("the bench is right");
    let procedure = Procedure::parse("procedure", PROCEDURE).expect("the procedure is right");
    let (reported, reports) = channel();
    let mut store = Store::open(path, move |report| drop(reported.send(report))).expect("the database opens");
    let mut core = Core::new(["clamps".to_owned()]);
    let mut effects = Vec::new();
    let begin = Begin {
        retests: None,
        previous: None,
        id: uuid::Uuid::now_v7(),
        wall: Wall(0),
        visit: Visit::default(),
        procedure: Some(procedure.into()),
        bench: String::new(),
    };
    core.command(Mono(0), Command::Begin(begin), &mut effects).expect("a session begins");
    let (mut meter, channels) = Meter::new(MeterId(0), &bench.meters[0], &ChannelIds::default());
    for (id, channel) in channels {
        core.handle(Mono(0), CoreEvent::Channel(id, channel), &mut effects);
    }
    enqueue_records(&mut store, &mut effects, &reports);
    for (index, chunk) in bytes.chunks(CHUNK).enumerate() {
        let at = Mono(index as i64 * 100_000);
        let mut batch = Batch::default();
        meter.take(chunk, at, &mut batch);
        assert!(!batch.events.iter().any(|found| matches!(found, MeterEvent::Problem(_))), "every line is good");
        core.handle(at, CoreEvent::Samples(batch.samples), &mut effects);
        enqueue_records(&mut store, &mut effects, &reports);
    }
    core.end(Mono(i64::MAX / 2), SessionExit::Ended, &mut effects);
    enqueue_records(&mut store, &mut effects, &reports);
    store.stop().expect("the last commit is good");
}

/// As the daemon does: wait for room, never lose.
fn enqueue_records(store: &mut Store, effects: &mut Vec<Effect>, reports: &Receiver<WriterReport>) {
    let records = effects.drain(..).filter_map(|effect| match effect {
        Effect::Record(record) => Some(record),
        _ => None,
    });
    store.enqueue(records.collect());
    while !store.has_room() {
        while !matches!(reports.recv(), Ok(WriterReport::Room)) {}
    }
}

fn bare_insert(path: &Path) {
    let connection = Connection::open(path).expect("the database opens");
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;").expect("WAL");
    connection.execute_batch(include_str!("../../src/store/schema.sql")).expect("the schema is right");
    let rows = vec!["(?,?,?,?,?,?)"; 50].join(",");
    let sql = format!("INSERT INTO sample (time_us, channel, value, place, state, verdict) VALUES {rows}");
    let mut statement = connection.prepare(&sql).expect("the statement is right");
    for group in 0..LINES * CHANNELS / GROUP {
        connection.execute_batch("BEGIN IMMEDIATE").expect("a transaction");
        for first in (0..GROUP).step_by(50) {
            for row in 0..50 {
                let sample = group * GROUP + first + row;
                let (line, channel) = (sample / CHANNELS, sample % CHANNELS);
                let value = 12.6 + (line % 1000) as f64 * 0.0001;
                // Only the fourth channel is judged, as in the pipeline.
                let verdict = (channel == 3).then_some(i64::from(line % 3 == 0));
                let at = 1 + row * 6;
                let bound = statement
                    .raw_bind_parameter(at, (line * 1000) as i64)
                    .and_then(|()| statement.raw_bind_parameter(at + 1, channel as i64 + 1))
                    .and_then(|()| statement.raw_bind_parameter(at + 2, value))
                    .and_then(|()| statement.raw_bind_parameter(at + 3, -4))
                    .and_then(|()| statement.raw_bind_parameter(at + 4, None::<i64>))
                    .and_then(|()| statement.raw_bind_parameter(at + 5, verdict));
                bound.expect("a row is bound");
            }
            statement.raw_execute().expect("rows go in");
        }
        connection.execute_batch("COMMIT").expect("a commit");
    }
}

/// User and system time of the whole process so far.
fn cpu_seconds() -> f64 {
    let usage = nix::sys::resource::getrusage(nix::sys::resource::UsageWho::RUSAGE_SELF).expect("the system counts");
    let seconds = |time: nix::sys::time::TimeVal| time.tv_sec() as f64 + time.tv_usec() as f64 / 1e6;
    seconds(usage.user_time()) + seconds(usage.system_time())
}
