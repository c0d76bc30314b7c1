//! A session of 24 hours with eight channels at 100 Hz: how fast it lists, plots and shows its ledger.
//!
//! `cargo bench --bench long_session`; `HOURS=24` is what is measured without it, `HOURS=1` is quick. The samples go through the
//! session core and the writer as in the daemon, in chunks of a tenth of a second; the disk must have 2.5 GB.

#![allow(clippy::disallowed_methods, reason = "a benchmark is about time")]

use std::{
    env,
    fmt::Write as _,
    path::Path,
    process::{Command, Stdio},
    sync::mpsc::{Receiver, channel},
    time::{Duration, Instant},
};

use bayline::{
    channel::{Batch, Bench, ChannelIds, Meter, MeterId},
    clock::{Mono, Wall},
    procedure::Procedure,
    protocol::Library,
    session::{Begin, Command as CoreCommand, Core, CoreEvent, Effect, SessionExit, StepMove, Visit},
    store::{Store, WriterReport},
};

const CHANNELS: u16 = 8;
const HERTZ: i64 = 100;
/// Steps of the procedure, each as long as the others.
const STEPS: u16 = 12;
/// What each of the three may take.
const BOUND: Duration = Duration::from_millis(200);

fn main() {
    let hours: i64 = env::var("HOURS").ok().and_then(|text| text.parse().ok()).unwrap_or(24);
    let folder = tempfile::tempdir_in(".").expect("a folder on the disk that is measured");
    let began = Instant::now();
    let samples = record(&folder.path().join("bayline.db"), hours);
    let took = began.elapsed();
    let rate = samples as f64 / took.as_secs_f64();
    println!("{hours} h, {samples} samples written in {:.0} s, {:.2} million a second", took.as_secs_f64(), rate / 1e6);
    let size = |name: &str| std::fs::metadata(folder.path().join(name)).map_or(0, |file| file.len());
    println!(
        "{:.0} MB, {:.1} bytes a sample",
        size("bayline.db") as f64 / 1e6,
        size("bayline.db") as f64 / samples as f64
    );
    for arguments in [&["sessions"][..], &["show", "last"], &["show", "last", "--json"], &["report", "last", "-o", "-"]]
    {
        time(folder.path(), arguments);
    }
}

/// The quickest of five: the first fills the page cache, and other programs run beside.
fn time(folder: &Path, arguments: &[&str]) {
    let run = || {
        let began = Instant::now();
        let done = Command::new(env!("CARGO_BIN_EXE_bayline"))
            .arg("--data")
            .arg(folder)
            .args(arguments)
            .stdout(Stdio::null())
            .status()
            .expect("the program runs");
        assert!(done.success(), "{arguments:?}");
        began.elapsed()
    };
    let first = run();
    let least = (0..5).map(|_| run()).min().expect("five runs");
    let verdict = if least < BOUND { "" } else { ": too long" };
    println!(
        "{:<24} {:>7.0} ms, first {:>7.0} ms{verdict}",
        arguments.join(" "),
        least.as_secs_f64() * 1e3,
        first.as_secs_f64() * 1e3
    );
}

/// Twelve steps over the hours, each on a channel of its own with a limit.
fn procedure() -> String {
    let step = |number: u16| {
        let channel = number % CHANNELS + 1;
        format!(
            "[[step]]\nname = \"watch {number}\"\nchannel = \"channel {channel}\"\nquantity = \"V DC\"\n\
             between = \"11.5 V to 13.5 V\"\ncapture = \"worst\"\n"
        )
    };
    format!("title = \"a long drive\"\n{}", (0..STEPS).map(step).collect::<String>())
}

fn bench() -> String {
    let channel =
        |number: u16| format!("{{ name = \"channel {number}\", reads = \"v{number}\", quantity = \"V DC\" }},\n");
    let channels: String = (1..=CHANNELS).map(channel).collect();
    format!("[[meter]]\nname = \"board\"\nport = \"/dev/null\"\nprotocol = \"columns-ms\"\nchannel = [\n{channels}]\n")
}

fn record(path: &Path, hours: i64) -> u64 {
    let bench = Bench::parse("bench", &bench(), &Library::new(Vec::new())).expect("the bench is right");
    let procedure = Procedure::parse("procedure", &procedure()).expect("the procedure is right");
    let (reported, reports) = channel();
    let mut store = Store::open(path, move |report| drop(reported.send(report))).expect("the database opens");
    let mut core = Core::new(["board".to_owned()]);
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
    core.command(Mono(0), CoreCommand::Begin(begin), &mut effects).expect("a session begins");
    let (mut meter, channels) = Meter::new(MeterId(0), &bench.meters[0], &ChannelIds::default());
    for (id, channel) in channels {
        core.handle(Mono(0), CoreEvent::Channel(id, channel), &mut effects);
    }
    let lines = hours * 3600 * HERTZ;
    let mut samples = 0;
    let mut text = String::new();
    for first in (0..lines).step_by(HERTZ as usize / 10) {
        text.clear();
        for line in first..first + HERTZ / 10 {
            write!(text, "{}", line * 1000 / HERTZ).expect("a String takes it");
            for channel in 0..i64::from(CHANNELS) {
                // A slow wave with a digit of noise; a spike of one sample every 100,000.
                let noise = (line * 7919 + channel * 104_729) % 11;
                let value =
                    if line % 100_000 == 77 { 9.0 } else { 12.5 + 0.3 * ((line + channel) as f64 * 1e-4).sin() };
                write!(text, ",{:.3}", value + noise as f64 * 0.001).expect("a String takes it");
            }
            text.push('\n');
        }
        let at = Mono((first + HERTZ / 10) * 1_000_000 / HERTZ);
        let mut batch = Batch::default();
        meter.take(text.as_bytes(), at, &mut batch);
        samples += batch.samples.len() as u64;
        core.handle(at, CoreEvent::Samples(batch.samples), &mut effects);
        if first % (lines / i64::from(STEPS)) == 0 && first > 0 {
            core.command(at, CoreCommand::Step(StepMove::Next), &mut effects).expect("there is a next step");
        }
        enqueue_records(&mut store, &mut effects, &reports);
    }
    core.end(Mono(lines * 1_000_000 / HERTZ), SessionExit::Ended, &mut effects);
    enqueue_records(&mut store, &mut effects, &reports);
    store.stop().expect("the last commit is good");
    samples
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
