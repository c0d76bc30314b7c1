//! Proves the bounds of the page's server: wrong tokens are slowed, headers and connections bounded, and a first visit is small.
//! Measures what onlookers cost the recording; how soon a sample is on the page is measured by `cargo bench --bench latency`.

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write, stderr},
    net::TcpStream,
    thread,
    time::Duration,
};

use serde_json::{Value, json};

use crate::{
    harness::{Bay, Display, HANDHELD, now},
    page::Page,
};

#[test]
fn wrong_tokens_wait_for_each_other() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let began = now();
    thread::scope(|scope| {
        for _ in 0..4 {
            let wrong = || assert_eq!(page.as_page("", "POST", "/pair", &json!({ "token": "0123" })).status, 403);
            scope.spawn(wrong);
        }
    });
    assert!(began.elapsed() >= Duration::from_millis(4 * 500), "{:?}", began.elapsed());
    page.pair();
    daemon.stop();
}

#[test]
fn headers_and_connections_are_bounded() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let long = "x".repeat(1 << 20);
    let mut stream = TcpStream::connect(page.host()).unwrap();
    // The server may close before it has read all of it.
    drop(stream.write_all(format!("GET / HTTP/1.1\r\nhost: {}\r\nlong: {long}\r\n\r\n", page.host()).as_bytes()));
    let mut answer = Vec::new();
    drop(stream.read_to_end(&mut answer));
    assert!(!String::from_utf8_lossy(&answer).starts_with("HTTP/1.1 200"), "a megabyte of headers is refused");

    // All places are taken; who comes next waits until one is free.
    let mut places: Vec<TcpStream> = (0..96).map(|_| TcpStream::connect(page.host()).unwrap()).collect();
    let mut next = page.open(format!("GET /icon.svg HTTP/1.1\r\nhost: {}\r\nconnection: close\r\n\r\n", page.host()));
    next.get_ref().set_read_timeout(Some(Duration::from_millis(500))).unwrap();
    let mut line = String::new();
    assert!(next.read_line(&mut line).is_err(), "it was answered although all places were taken: {line}");
    places.pop();
    next.get_ref().set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    next.read_line(&mut line).unwrap();
    assert!(line.starts_with("HTTP/1.1 200"), "{line}");
    drop(places);
    daemon.stop();
}

#[test]
fn a_first_visit_is_small() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    // Once this is answered the session is on disk, and has a ledger.
    daemon.note("a visit");
    let size = |paths: &[&str]| -> usize {
        let sizes = paths.iter().map(|path| {
            let reply = page.as_page(&cookie, "GET", path, &Value::Null);
            assert_eq!(reply.status, 200, "{path}");
            reply.head.len() + reply.body.len()
        });
        sizes.sum()
    };
    let shared = ["/page.css", "/forms.css", "/common.js", "/icon.svg"];
    let scripts = ["/page.js", "/show.js", "/acts.js", "/sound.js", "/keys.js", "/voice.js", "/awake.js", "/draw.js"];
    let visit = size(&["/", "/status", "/ledger"]) + size(&scripts) + size(&shared);
    let others =
        size(&["/setup", "/setup.js", "/bench.js", "/past", "/past.js", "/drive.js", "/uplot.js", "/uplot.css"]);
    drop(writeln!(stderr(), "a first visit loads {visit} bytes, all pages together {}", visit + others));
    assert!(visit + others <= 150_000, "{visit} + {others}");
    daemon.stop();
}

/// Processor time of a process so far, s: fields 14 and 15 of proc(5), in hundredths.
fn processor_s(process: u32) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    [11, 12].iter().map(|field| fields[*field].parse::<f64>().unwrap() / 100.0).sum()
}

#[test]
#[ignore = "measures: cargo test --release --test whole -- --ignored --nocapture page_bounds"]
fn onlookers_cost_the_recording_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "10.00 V");
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let follow = || -> BufReader<TcpStream> {
        page.open(format!("GET /news HTTP/1.1\r\nhost: {}\r\ncookie: {cookie}\r\n\r\n", page.host()))
    };
    let mut run = |onlookers: usize| -> (u64, f64) {
        let streams: Vec<_> = (0..onlookers)
            .map(|_| {
                let mut stream = follow();
                thread::spawn(move || drop(std::io::copy(&mut stream, &mut std::io::sink())))
            })
            .collect();
        let samples = |status: &Value| status["session"]["samples"].as_u64().unwrap();
        let (before, used) = (samples(&daemon.status()), processor_s(daemon.process()));
        thread::sleep(Duration::from_secs(5));
        let (after, used_after) = (samples(&daemon.status()), processor_s(daemon.process()));
        // The streams end with the daemon.
        drop(streams);
        (after - before, used_after - used)
    };
    let (alone, watched) = (run(0), run(20));
    drop(writeln!(
        stderr(),
        "5 s: without onlookers {} samples, {:.2} s of processor; with 20: {} samples, {:.2} s",
        alone.0,
        alone.1,
        watched.0,
        watched.1
    ));
    assert!(watched.0 * 20 >= alone.0 * 19, "no sample is lost to onlookers");
    daemon.stop();
}
