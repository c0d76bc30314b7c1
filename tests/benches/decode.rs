//! How fast bytes become readings, for each kind of frame and decoder, on one core.
//!
//! `cargo bench --bench decode`. Bytes are pushed in the chunks that a port hands over. Where
//! Linux tells it, the time is that on the processor, so that other work does not count.

#![allow(clippy::disallowed_methods, reason = "a benchmark is about time")]

use std::{
    fs,
    hint::black_box,
    sync::{Arc, LazyLock},
    time::Instant,
};

use bayline::protocol::{Decoded, Engine, Example, Library, Protocol, RequestId};

/// As much as a fast port hands over at once, bytes.
const CHUNK: usize = 4096;

/// Bytes that are decoded for one figure.
const TOTAL: usize = 64 << 20;

/// Seconds that this thread has worked; those since the start where nobody tells.
fn busy_s() -> f64 {
    static START: LazyLock<Instant> = LazyLock::new(Instant::now);
    let reported = fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns = reported.and_then(|text| text.split_whitespace().next()?.parse::<u64>().ok());
    ns.map_or_else(|| START.elapsed().as_secs_f64(), |ns| ns as f64 / 1e9)
}

fn main() {
    println!("{:<34} {:>8} {:>12} {:>12}", "protocol (frame, decode)", "MB/s", "frames/s", "readings/s");
    for (name, kinds, line) in [
        ("columns", "line, columns", "0.5123,1.2345,-0.0021,12.45\n"),
        ("columns-us", "line, columns", "1500123,0.5123,1.2345,-0.0021,12.45\n"),
        ("pairs", "line, pairs", "lift=0.5123 bucket=1.2345 swing=-0.0021 feed=12.45\n"),
        ("json", "line, json", "{\"lift\":0.5123,\"bucket\":1.2345,\"swing\":-0.0021,\"feed\":12.45}\n"),
        ("number", "line, number", "12.45 V\n"),
    ] {
        measure(&Library::default().find(name).expect("it is built in"), kinds, line.as_bytes(), None);
    }
    // The first example of the others that gives a reading.
    for (name, kinds) in [
        ("columns-numbered", "line, CRC, columns"),
        ("text-14", "line, pattern"),
        ("nmea-0183", "line, xor, pattern"),
        ("scpi", "line, pattern, polled"),
        ("j1979-text", "line, pattern, polled"),
        ("report-11", "line, report"),
        ("report-14", "line, report"),
        ("report-14-sign", "fixed, report"),
        ("lcd-mirror-14", "indexed nibbles, segments"),
        ("clamp-scans", "COBS, CRC, fields"),
    ] {
        let protocol = Library::default().find(name).expect("it is built in");
        let gives_readings = |example: &&Example| example.gives.iter().any(|line| line.contains(" = "));
        let example = protocol.examples().iter().find(gives_readings).expect("every protocol has one");
        let piece = example.pieces.last().expect("an example has bytes").clone();
        measure(&protocol, kinds, &piece.bytes, piece.request);
    }
    for (frame, bytes) in [
        ("kind = \"slip\"", &[0xa5, 0x00, 0x02, 0x01, 0x01, 0xc0][..]),
        ("kind = \"length-prefixed\"\nstart = \"A5\"\nlength = { at = 2, add = 3 }", &[0xa5, 0x02, 0x01, 0x01, 0x01]),
    ] {
        let text = format!(
            "name = \"frame\"\nabout = \"a frame\"\nsource = \"made up\"\n[frame]\n{frame}\n[decode]\nkind = \"fields\"\n\
             order = \"big\"\n[[decode.value]]\nname = \"v\"\nat = 3\ntype = \"i16\"\nscale = 0.001\nunit = \"A\"\n\
             [[decode.value]]\nname = \"w\"\nat = 5\ntype = \"u8\"\n"
        );
        let protocol = Arc::new(Protocol::parse("frame.toml", &text).expect("it is written right here"));
        let kind = frame.split('"').nth(1).unwrap_or_default();
        measure(&protocol, &format!("{kind}, fields"), bytes, None);
    }
}

fn measure(protocol: &Arc<Protocol>, kinds: &str, frame: &[u8], request: Option<RequestId>) {
    let name = &protocol.name;
    let mut engine = Engine::new(protocol.clone());
    engine.set_request(request);
    let bytes = frame.repeat((1 << 20) / frame.len());
    let mut out = Decoded::default();
    let begin = busy_s();
    for _ in 0..TOTAL / bytes.len() {
        for chunk in bytes.chunks(CHUNK) {
            out.clear();
            engine.push(chunk, &mut out);
            black_box(&out);
        }
    }
    let seconds = busy_s() - begin;
    let counts = engine.counts();
    assert_eq!(counts.all_problems(), 0, "{name}: every frame is decoded: {:?}", out.problems);
    assert!(counts.readings > 0, "{name}: there is something to measure");
    println!(
        "{:<34} {:>8.0} {:>12.0} {:>12.0}",
        format!("{name} ({kinds})"),
        counts.bytes as f64 / seconds / 1e6,
        counts.frames as f64 / seconds,
        counts.readings as f64 / seconds
    );
}
