//! From byte to news: how long a limit that breaks, or is kept again, takes from the byte at the port to those who watch, how long a
//! reading takes to the live page, and how long all takes that a first visit of the page fetches before its first figure.
//!
//! `cargo bench --bench latency`. The real daemon on pseudo-terminals: a meter whose value goes out of its limit and back, at rest
//! and beside a board that sends 5,000 samples a second. Prints the percentiles; fails where the 99th is over its bound. What the
//! browser itself adds to a first visit is printed by `cargo test --release --test whole -- --ignored --nocapture browser::visit`.

#![allow(clippy::disallowed_methods, reason = "a benchmark is about time")]

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write},
    net::TcpStream,
    os::{
        fd::{AsFd, OwnedFd},
        unix::{fs::symlink, net::UnixStream},
    },
    path::Path,
    process::{Command, Stdio},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use nix::{
    pty::openpty,
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
    unistd::{ttyname, write},
};

/// Transitions measured in each condition.
const TRANSITIONS: usize = 1000;
/// Between two of them: often enough to meet commits and checkpoints, too seldom to wait for the last one.
const EVERY: Duration = Duration::from_millis(23);
/// The board's samples a second, four in a line.
const BOARD_HZ: u64 = 5_000;
/// Bounds of the 99th percentile.
const AT_REST: Duration = Duration::from_millis(5);
const BESIDE_A_BOARD: Duration = Duration::from_millis(20);
/// Bound of the 99th percentile from a byte to the page: readings are sent at most 25 times a second, so up to 40 ms of it are waited
/// on purpose.
const TO_THE_PAGE: Duration = Duration::from_millis(50);
/// Readings followed to the page.
const READINGS: usize = 300;
/// Between two of them: no multiple of the page's 40 ms, so that they meet all phases.
const EVERY_READING: Duration = Duration::from_millis(97);
/// Bound of the 99th percentile of what a first visit fetches before its figure.
const FIRST_FIGURE: Duration = Duration::from_millis(300);
/// First visits.
const VISITS: usize = 100;
/// What a first visit fetches before its figure, in this order.
const FIRST_VISIT: [&str; 13] = [
    "/",
    "/page.css",
    "/forms.css",
    "/page.js",
    "/show.js",
    "/acts.js",
    "/sound.js",
    "/awake.js",
    "/common.js",
    "/draw.js",
    "/keys.js",
    "/voice.js",
    "/status",
];

const BENCH: &str = r#"
[[meter]]
name = "handheld"
port = "PORTS/handheld"
protocol = "number"
[[meter.channel]]
name = "probe"
quantity = "V DC"
[[meter]]
name = "board"
port = "PORTS/board"
protocol = "columns"
channel = [
    { name = "one", reads = "v1", quantity = "A DC", scale = "100 mV/A" },
    { name = "two", reads = "v2", quantity = "A DC", scale = "100 mV/A" },
    { name = "three", reads = "v3", quantity = "A DC", scale = "100 mV/A" },
    { name = "four", reads = "v4", quantity = "A DC", scale = "100 mV/A" },
]
"#;

const PROCEDURE: &str = r#"
title = "latency"
[[step]]
name = "watch"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "worst"
rule = "simple"
"#;

/// A fake meter: the device's end of a pseudo-terminal, and the port's, kept open.
struct FakeMeter {
    device: OwnedFd,
    _port: OwnedFd,
}

impl FakeMeter {
    fn plug_in(link: &Path) -> Self {
        let pair = openpty(None, None).expect("a pseudo-terminal");
        let mut settings = tcgetattr(&pair.slave).expect("its settings");
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings).expect("raw");
        symlink(ttyname(pair.slave.as_fd()).expect("its name"), link).expect("a link to it");
        Self { device: pair.master, _port: pair.slave }
    }

    fn bytes(&self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let count = write(&self.device, bytes).expect("somebody reads the port");
            bytes = &bytes[count..];
        }
    }
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let ports = folder.path().join("ports");
    fs::create_dir(&ports).expect("a folder for the ports");
    let (bench, procedure) = (folder.path().join("bench.toml"), folder.path().join("procedure.toml"));
    fs::write(&bench, BENCH.replace("PORTS/", &format!("{}/", ports.display()))).expect("the bench file");
    fs::write(&procedure, PROCEDURE).expect("the procedure file");
    let (handheld, board) = (FakeMeter::plug_in(&ports.join("handheld")), FakeMeter::plug_in(&ports.join("board")));
    let data = folder.path().join("data");
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_bayline"))
        .args(["--data".as_ref(), data.as_os_str(), "run".as_ref(), "--bench".as_ref(), bench.as_os_str()])
        .args(["--procedure".as_ref(), procedure.as_os_str(), "--page".as_ref(), "127.0.0.1:0".as_ref()])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the daemon starts");
    let mut news = watch(&data.join("control.sock"));
    let at_rest = transitions(&handheld, &mut news);
    let page = Page::of(&data.join("control.sock"));
    let shown = readings(&handheld, &page);
    let visits: Vec<Duration> = (0..VISITS).map(|_| page.first_visit()).collect();
    let stop = Arc::new(AtomicBool::new(false));
    let sender = thread::spawn({
        let stop = stop.clone();
        move || send_board(&board, &stop)
    });
    thread::sleep(Duration::from_secs(1));
    let beside = transitions(&handheld, &mut news);
    stop.store(true, Ordering::Relaxed);
    let sent = sender.join().expect("the board sends to its end");
    nix::sys::signal::kill(
        nix::unistd::Pid::from_raw(i32::try_from(daemon.id()).expect("a process number")),
        nix::sys::signal::Signal::SIGTERM,
    )
    .expect("the daemon is there");
    daemon.wait().expect("the daemon ends");
    println!("{TRANSITIONS} transitions each; the board sent {sent:.0} samples a second");
    println!("{:<32} {:>9} {:>9} {:>9} {:>9}", "from byte to news", "p50", "p95", "p99", "max");
    let rest = report("at rest", at_rest);
    let beside = report("beside 5,000 samples a second", beside);
    let shown = report("a reading, to the page", shown);
    let first = report("what a first visit fetches", visits);
    assert!(shown < TO_THE_PAGE, "p99 to the page is {shown:?}, {TO_THE_PAGE:?} wanted");
    assert!(first < FIRST_FIGURE, "p99 of a first visit is {first:?}, {FIRST_FIGURE:?} wanted");
    assert!(rest < AT_REST, "p99 at rest is {rest:?}, {AT_REST:?} wanted");
    assert!(beside < BESIDE_A_BOARD, "p99 beside a board is {beside:?}, {BESIDE_A_BOARD:?} wanted");
}

/// Prints the percentiles and returns the 99th.
fn report(name: &str, mut times: Vec<Duration>) -> Duration {
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share).round() as usize];
    let ms = |time: Duration| format!("{:.2} ms", time.as_secs_f64() * 1e3);
    println!("{name:<32} {:>9} {:>9} {:>9} {:>9}", ms(at(0.5)), ms(at(0.95)), ms(at(0.99)), ms(at(1.0)));
    at(0.99)
}

/// A client that watches, once the daemon answers.
fn watch(socket: &Path) -> BufReader<UnixStream> {
    let began = Instant::now();
    let stream = loop {
        match UnixStream::connect(socket) {
            Ok(stream) => break stream,
            Err(error) if began.elapsed() > Duration::from_secs(30) => panic!("no daemon answers: {error}"),
            Err(_) => thread::sleep(Duration::from_millis(20)),
        }
    };
    let mut lines = BufReader::new(stream);
    lines.get_mut().write_all(b"{\"do\":\"watch\"}\n").expect("the daemon listens");
    let mut answer = String::new();
    lines.read_line(&mut answer).expect("the daemon answers");
    lines
}

/// The page's server, with the cookie of one who was let in.
struct Page {
    address: String,
    cookie: String,
}

impl Page {
    fn of(socket: &Path) -> Self {
        let mut control = BufReader::new(UnixStream::connect(socket).expect("the daemon answers"));
        control.get_mut().write_all(b"{\"do\":\"status\"}\n").expect("the daemon listens");
        let mut status = String::new();
        control.read_line(&mut status).expect("the daemon answers");
        let (_, link) = status.split_once("\"page\":\"http://").expect("the page is on");
        let (address, rest) = link.split_once("/#").expect("a link has a token");
        let token = rest.split('"').next().expect("a string ends");
        let body = format!("{{\"token\":\"{token}\"}}");
        let head = format!(
            "POST /pair HTTP/1.1\r\nhost: {address}\r\norigin: http://{address}\r\ncontent-type: application/json\r\n\
             content-length: {}\r\nconnection: close\r\n\r\n{body}",
            body.len()
        );
        let mut answer = String::new();
        Self::send(address, &head).read_to_string(&mut answer).expect("the page answers");
        let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect("the token is good");
        Self { address: address.to_owned(), cookie: cookie.split(';').next().expect("a cookie").to_owned() }
    }

    fn send(address: &str, request: &str) -> BufReader<TcpStream> {
        let mut stream = TcpStream::connect(address).expect("the page is served");
        stream.write_all(request.as_bytes()).expect("the page listens");
        BufReader::new(stream)
    }

    fn get(&self, path: &str) -> BufReader<TcpStream> {
        let Self { address, cookie } = self;
        Self::send(
            address,
            &format!("GET {path} HTTP/1.1\r\nhost: {address}\r\ncookie: {cookie}\r\nconnection: close\r\n\r\n"),
        )
    }

    /// One after the other, each on a connection of its own: a browser does better.
    fn first_visit(&self) -> Duration {
        let began = Instant::now();
        for path in FIRST_VISIT {
            let mut answer = Vec::new();
            self.get(path).read_to_end(&mut answer).expect("the page answers");
            assert!(answer.starts_with(b"HTTP/1.1 200"), "{path}");
        }
        began.elapsed()
    }
}

/// A reading that the meter sends once: from the byte to the event that shows it on the page.
fn readings(meter: &FakeMeter, page: &Page) -> Vec<Duration> {
    let mut news = page.get("/news");
    let mut line = String::new();
    // The stream has begun when its head is there.
    while line != "\r\n" {
        line.clear();
        assert!(news.read_line(&mut line).expect("the page answers") > 0, "the page hung up");
    }
    let times = (0..READINGS).map(|index| {
        let shown = format!("{}.{:02} V", 12 + index / 100, index % 100);
        let sent = Instant::now();
        meter.bytes(format!("{shown}\r\n").as_bytes());
        while !line.contains(&format!("\"shown\":\"{shown}\"")) {
            line.clear();
            assert!(news.read_line(&mut line).expect("the page says it") > 0, "the page hung up");
        }
        let took = sent.elapsed();
        thread::sleep(EVERY_READING.saturating_sub(took));
        took
    });
    times.collect()
}

/// The value goes out of its limit and back: from the byte to the news that says so.
fn transitions(meter: &FakeMeter, news: &mut BufReader<UnixStream>) -> Vec<Duration> {
    let mut times = Vec::with_capacity(TRANSITIONS);
    let mut line = String::new();
    // In limit first, until it is there.
    meter.bytes(b"12.41 V\r\n");
    thread::sleep(Duration::from_millis(700));
    for index in 0..TRANSITIONS {
        let is_out = index % 2 == 0;
        let sent = Instant::now();
        meter.bytes(if is_out { b"9.41 V\r\n" } else { b"12.41 V\r\n" });
        loop {
            line.clear();
            assert!(news.read_line(&mut line).expect("the daemon says it") > 0, "the daemon hung up");
            if line.contains("\"news\":\"excursion\"") && line.contains(&format!("\"lasts\":{is_out}")) {
                break;
            }
        }
        times.push(sent.elapsed());
        thread::sleep(EVERY.saturating_sub(sent.elapsed()));
    }
    times
}

/// Sends four samples a line, ten lines at a time as a USB port hands them over; returns the rate that it kept.
fn send_board(board: &FakeMeter, stop: &AtomicBool) -> f64 {
    const LINES: u64 = 10;
    let began = Instant::now();
    let mut sent = 0_u64;
    while !stop.load(Ordering::Relaxed) {
        let chunk: String =
            (0..LINES).map(|line| format!("0.16{},0.100,0.0{},0.123\r\n", (sent + line) % 10, line)).collect();
        board.bytes(chunk.as_bytes());
        sent += LINES * 4;
        let due = began + Duration::from_secs_f64(sent as f64 / BOARD_HZ as f64);
        thread::sleep(due.saturating_duration_since(Instant::now()));
    }
    sent as f64 / began.elapsed().as_secs_f64()
}
