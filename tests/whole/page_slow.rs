//! Proves that a page which reads slowly, or not at all, costs the daemon bounded memory and is dropped, and that it gets what it
//! missed when it comes back.

use std::{
    collections::BTreeSet,
    fs,
    io::{BufRead, BufReader, ErrorKind, Write, stderr},
    net::TcpStream,
    thread,
};

use nix::sys::socket::{setsockopt, sockopt};

use crate::{
    harness::{Bay, Daemon, HANDHELD, PATIENCE, now, until},
    page::Page,
};

/// Pages that take nothing.
const READERS: usize = 20;
/// Notes of the longest text: more than a queue of 256, hyper's buffer (some 400 kB) and the sockets (64 KiB and less) hold, and fewer
/// than the 512 that are kept, however few of them a reader takes.
const CLIENTS: usize = 40;
const NOTES_EACH: usize = 12;
const NOTE_LENGTH: usize = 4000;

/// Memory that a process has in use, bytes: `VmRSS` of proc(5).
fn resident(process: u32) -> usize {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().trim_end_matches(" kB").parse::<usize>().unwrap() * 1024
}

fn sockets(process: u32) -> usize {
    let files = fs::read_dir(format!("/proc/{process}/fd")).unwrap();
    let links = files.filter_map(|file| fs::read_link(file.ok()?.path()).ok());
    links.filter(|link| link.to_string_lossy().starts_with("socket:")).count()
}

/// A stream of news with a small buffer of its own.
fn stream(page: &Page, cookie: &str, last: Option<u64>) -> BufReader<TcpStream> {
    let socket = TcpStream::connect(page.host()).unwrap();
    setsockopt(&socket, sockopt::RcvBuf, &4096).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let last = last.map_or(String::new(), |id| format!("last-event-id: {id}\r\n"));
    let request =
        format!("GET /news HTTP/1.1\r\nconnection: close\r\nhost: {}\r\ncookie: {cookie}\r\n{last}\r\n", page.host());
    (&socket).write_all(request.as_bytes()).unwrap();
    BufReader::new(socket)
}

/// Reads whole events until the stream ends or all is there: their number, and that of the note in them.
fn notes(stream: &mut BufReader<TcpStream>, wanted: usize) -> Vec<(u64, usize)> {
    let (mut found, mut id, mut note, mut line) = (Vec::new(), 0, None, String::new());
    let mut newest = now();
    while found.len() < wanted {
        line.clear();
        // An idle stream still carries a line every few seconds.
        assert!(newest.elapsed() < PATIENCE, "{} of {wanted} notes came", found.len());
        match stream.read_line(&mut line) {
            Ok(0) => break,
            Ok(_) => {}
            Err(error) if error.kind() == ErrorKind::ConnectionReset => break,
            Err(error) => panic!("the stream said nothing: {error}"),
        }
        if let Some(number) = line.strip_prefix("id: ") {
            id = number.trim().parse().unwrap();
        } else if line.starts_with("data: ") {
            note = line.split_once("note ").map(|(_, rest)| rest.split(' ').next().unwrap().parse().unwrap());
        } else if line == "\n" {
            // Only now it is whole.
            if let Some(note) = note.take() {
                found.push((id, note));
                newest = now();
            }
        }
    }
    found
}

fn write_notes(bay: &Bay) {
    thread::scope(|scope| {
        for client in 0..CLIENTS {
            scope.spawn(move || {
                let mut script = bay.client();
                for number in 0..NOTES_EACH {
                    let words = format!("note {} ", client * NOTES_EACH + number);
                    script.note(&(words.clone() + &"x".repeat(NOTE_LENGTH - words.len())));
                }
            });
        }
    });
}

fn started(bay: &Bay) -> (Daemon, Page, String) {
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    (daemon, page, cookie)
}

#[test]
fn a_page_that_takes_nothing_is_dropped_and_resumes_with_nothing_missed() {
    let bay = Bay::with_bench(HANDHELD);
    let (mut daemon, page, cookie) = started(&bay);
    daemon.note("the session is on disk");
    let before = sockets(daemon.process());
    let mut slow = stream(&page, &cookie, None);
    let mut idle: Vec<_> = (0..READERS).map(|_| stream(&page, &cookie, None)).collect();
    // Each stream has begun when its head is there.
    for reader in idle.iter_mut().chain([&mut slow]) {
        let mut line = String::new();
        while line != "\r\n" {
            line.clear();
            assert!(reader.read_line(&mut line).unwrap() > 0);
        }
    }
    let memory = resident(daemon.process());
    write_notes(&bay);
    let all = CLIENTS * NOTES_EACH;
    let grown = resident(daemon.process()).saturating_sub(memory);
    let sent = READERS * all * NOTE_LENGTH;
    drop(writeln!(
        stderr(),
        "{READERS} readers that take nothing, {sent} bytes for them: memory grew by {grown} bytes"
    ));
    assert!(grown < sent / 3, "{grown} bytes are kept for readers that take nothing");

    // One reads on at last: its stream ends where it lost its place, and the next one begins there.
    let first = notes(&mut slow, all);
    let last = first.last().map(|(id, _)| *id).unwrap();
    assert!(first.len() < all, "it was never dropped");
    let mut again = stream(&page, &cookie, Some(last));
    let second = notes(&mut again, all - first.len());
    assert!(second.iter().all(|(id, _)| *id > last));
    let both: BTreeSet<usize> = first.iter().chain(&second).map(|(_, note)| *note).collect();
    assert_eq!((both.len(), first.len() + second.len()), (all, all), "each note once");

    // The others are cut off although they never read a byte.
    drop((slow, again));
    until("the idle readers to be dropped", || match sockets(daemon.process()) {
        open if open <= before => Ok(()),
        open => Err(open),
    });
    drop(idle);
    daemon.stop();
}
