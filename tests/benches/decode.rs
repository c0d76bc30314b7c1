//! How fast bytes become readings, for each kind of text protocol, on one core.
//!
//! `cargo bench --bench decode`. Bytes are pushed in the chunks that a port hands over.

#![allow(clippy::disallowed_methods, reason = "a benchmark is about time")]

use std::{hint::black_box, time::Instant};

use bayline::protocol::{Decoded, Engine, Library};

/// As much as a fast port hands over at once, bytes.
const CHUNK: usize = 4096;

/// Bytes that are decoded for one figure.
const TOTAL: usize = 64 << 20;

fn main() {
    println!("{:<12} {:>8} {:>16} {:>16}", "protocol", "MB/s", "frames/s", "readings/s");
    for (name, line) in [
        ("columns", "0.5123,1.2345,-0.0021,12.45\n"),
        ("columns-us", "1500123,0.5123,1.2345,-0.0021,12.45\n"),
        ("pairs", "lift=0.5123 bucket=1.2345 swing=-0.0021 feed=12.45\n"),
        ("json", "{\"lift\":0.5123,\"bucket\":1.2345,\"swing\":-0.0021,\"feed\":12.45}\n"),
        ("number", "12.45 V\n"),
    ] {
        measure(name, line);
    }
}

fn measure(name: &str, line: &str) {
    let protocol = Library::default().find(name).expect("it is built in");
    let mut engine = Engine::new(protocol);
    let bytes = line.repeat((1 << 20) / line.len());
    let mut out = Decoded::default();
    let begin = Instant::now();
    for _ in 0..TOTAL / bytes.len() {
        for chunk in bytes.as_bytes().chunks(CHUNK) {
            out.clear();
            engine.push(chunk, &mut out);
            black_box(&out);
        }
    }
    let seconds = begin.elapsed().as_secs_f64();
    let counts = engine.counts();
    assert_eq!(counts.all_problems(), 0, "{name}: every line is decoded");
    println!(
        "{name:<12} {:>8.0} {:>16.0} {:>16.0}",
        counts.bytes as f64 / seconds / 1e6,
        counts.frames as f64 / seconds,
        counts.readings as f64 / seconds
    );
}
