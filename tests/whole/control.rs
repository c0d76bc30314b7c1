//! Proves that the control socket is its owner's alone, and that nothing said to it harms the daemon.

use std::{fs, io::Write, os::unix::fs::PermissionsExt, os::unix::net::UnixStream};

use serde_json::json;

use crate::harness::{Bay, HANDHELD};

#[test]
fn nobody_else_can_read_or_speak() {
    let bay = Bay::with_bench(HANDHELD);
    let daemon = bay.start();
    let mode = |path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(bay.data()), 0o700);
    assert_eq!(mode(bay.socket()), 0o600);
    assert_eq!(mode(bay.database()), 0o600);
    for name in ["bayline.db-wal", "bayline.db-shm", "bayline.lock"] {
        assert_eq!(mode(bay.data().join(name)), 0o600, "{name}");
    }
    daemon.stop();
}

#[test]
fn what_can_not_be_understood_is_refused_and_the_daemon_lives() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    let mut client = bay.client();
    for (line, words) in [
        ("", "can't be read"),
        ("hello", "can't be read"),
        ("{\"do\":\"step\"", "can't be read"),
        ("[1, 2]", "can't be read"),
        ("{\"do\":\"fly\"}", "found \"fly\", expected one of \"begin\""),
        ("{\"do\":\"step\"}", "missing key `to`"),
        ("{\"do\":\"step\",\"to\":7}", "can't be read"),
        ("{\"do\":\"end\",\"now\":true}", "unknown key `now`"),
        ("{\"do\":\"note\",\"text\":\"   \"}", "the note is empty"),
        ("{\"do\":\"step\",\"to\":\"\"}", "name is empty"),
    ] {
        client.send(line);
        let answer = client.next().unwrap_or_else(|| panic!("the daemon hung up on {line}"));
        assert_eq!(answer["ok"], false, "{line}");
        assert!(answer["error"].as_str().unwrap().contains(words), "{line}: {answer}");
    }
    // The same client goes on as if nothing had been.
    client.note("still here");
    daemon.note("and so am I");
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"), ["still here", "and so am I"]);
}

#[test]
fn bytes_that_are_no_text_cost_only_the_client_that_sent_them() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    let mut stream = UnixStream::connect(bay.socket()).unwrap();
    stream.write_all(b"\xff\xfe\x00\n").unwrap();
    let mut half = UnixStream::connect(bay.socket()).unwrap();
    half.write_all(b"{\"do\":\"end\"").unwrap();
    drop((stream, half));
    // Half a request was none: the session is open.
    daemon.note("still here");
    assert!(daemon.status()["session"].is_object());
}

#[test]
fn an_over_long_request_is_refused() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    // A request of almost a mebibyte is one, but a note is a page at most.
    let mut client = bay.client();
    let sentence = client.refused(json!({"do": "note", "text": "x".repeat((1 << 20) - 100)}));
    assert!(sentence.contains("4000 at most"), "{sentence}");
    client.note(&"ü".repeat(4000));
    let sentence = client.refused(json!({"do": "step", "to": "x".repeat(500)}));
    assert!(sentence.contains("400 at most"), "{sentence}");
    // The daemon may hang up before all of it is sent.
    let mut stream = UnixStream::connect(bay.socket()).unwrap();
    stream.set_read_timeout(Some(crate::harness::PATIENCE)).unwrap();
    drop(stream.write_all(&vec![b'x'; (1 << 20) + 100_000]));
    let mut answer = [0; 256];
    let length = std::io::Read::read(&mut stream, &mut answer).unwrap();
    assert!(String::from_utf8_lossy(&answer[..length]).contains("longer than 1 MiB"));
    daemon.note("still here");
}

#[test]
fn requests_sent_together_are_answered_in_order() {
    let bay = Bay::with_bench(HANDHELD);
    let daemon = bay.start();
    let mut client = bay.client();
    for count in 0..20 {
        client.send(&json!({"do": "step", "to": format!("step no. {count}")}).to_string());
    }
    for count in 0..20 {
        assert_eq!(client.next().unwrap()["step"]["name"], format!("step no. {count}"));
    }
    daemon.stop();
    assert_eq!(bay.kept().number("SELECT COUNT(*) FROM step"), 20);
}

#[test]
fn a_client_that_leaves_before_its_answer_changes_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    for count in 0..20 {
        let mut client = bay.client();
        client.send(&json!({"do": "note", "text": format!("note {count}")}).to_string());
    }
    // Clients are served side by side: this one's own notes come in its order, the others whenever.
    daemon.note("still here");
    bay.kept().until("SELECT COUNT(*) FROM event WHERE kind = 'note'", &["21"]);
}
