//! What `poll` does, case by case.

use super::*;
use crate::protocol::{Decoded, Engine, examples::show_reading};

fn protocol(poll: &str, decode: &str) -> Arc<Protocol> {
    let text = format!(
        "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"line\"\n[poll]\n{poll}\n[decode]\n{decode}\n"
    );
    Arc::new(Protocol::parse("p.toml", &text).unwrap_or_else(|mistake| panic!("{mistake}")))
}

fn ms(time: i64) -> Mono {
    Mono(time * 1000)
}

fn in_words(turn: PollAction<'_>) -> String {
    match turn {
        PollAction::Send(bytes) => String::from_utf8_lossy(bytes).trim_end().to_owned(),
        PollAction::Wait(until) => format!("wait {}", until.0 / 1000),
    }
}

const NUMBER: &str = "kind = \"number\"";

#[test]
fn requests_go_round_in_turn() {
    let poll = "open = [\"*CLS\", \"SYST:REM\"]\npause = \"20 ms\"\nevery = \"100 ms\"\ntimeout = \"1 s\"\n\
        request = [{ name = \"function\", send = \"FUNC?\", rounds = 2 }, { name = \"value\", send = \"READ?\" }]";
    let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
    assert_eq!(in_words(poller.next_action(ms(0))), "*CLS");
    assert_eq!(in_words(poller.next_action(ms(0))), "wait 20");
    assert_eq!(in_words(poller.next_action(ms(20))), "SYST:REM");
    assert_eq!(in_words(poller.next_action(ms(39))), "wait 40");
    assert_eq!(in_words(poller.next_action(ms(40))), "FUNC?");
    assert_eq!(in_words(poller.next_action(ms(40))), "wait 1040");
    poller.received(b"VO", ms(0));
    assert_eq!(in_words(poller.next_action(ms(41))), "wait 1040", "half an answer is none");
    poller.received(b"LT\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(42))), "READ?");
    poller.received(b"1.5\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(50))), "wait 100");
    assert_eq!(in_words(poller.next_action(ms(100))), "READ?", "the function is asked every second round");
    poller.received(b"1.5\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(350))), "FUNC?", "a late round begins at once");
    poller.received(b"VOLT\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(351))), "READ?");
    poller.received(b"1.5\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(352))), "wait 450", "and is not made up for");
}

#[test]
fn a_time_out_is_followed_by_silence_and_the_error_queue() {
    let poll = "every = \"100 ms\"\ntimeout = \"50 ms\"\nrequest = [{ name = \"value\", send = \"READ?\" }]\n\
        errors = { send = \"SYST:ERR?\", none = '^[+]?0,', rounds = 100 }";
    let protocol = protocol(poll, NUMBER);
    let mut poller = Poller::new(&protocol, ms(0)).unwrap();
    assert_eq!(in_words(poller.next_action(ms(0))), "READ?");
    assert!(poller.request().is_some());
    assert_eq!(in_words(poller.next_action(ms(50))), "wait 100");
    assert_eq!((poller.timeouts(), poller.request()), (1, None), "an answer would be too late");
    assert_eq!(in_words(poller.next_action(ms(100))), "SYST:ERR?");
    let mut engine = Engine::new(protocol.clone());
    let mut out = Decoded::default();
    for answer in [&b"-113,\"Undefined header\"\n"[..], b"0,\"No error\"\n"] {
        engine.set_request(poller.request());
        engine.push(answer, &mut out);
        poller.received(answer, ms(0));
        if answer[0] == b'-' {
            assert_eq!(in_words(poller.next_action(ms(110))), "SYST:ERR?", "until the queue is empty");
        }
    }
    assert_eq!(out.problems.len(), 1);
    assert_eq!(out.problems[0].frame, "-113,\"Undefined header\"");
    assert_eq!(in_words(poller.next_action(ms(120))), "READ?");
}

#[test]
fn a_prompt_says_that_the_next_may_come() {
    let poll = "open = [\"E0\"]\nready = \">\"\nevery = \"100 ms\"\nterminator = \"\\r\"\n\
        request = [{ name = \"speed\", send = \"010D\" }]";
    let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
    assert_eq!(in_words(poller.next_action(ms(0))), "E0");
    poller.received(b"OK\r\n", ms(0));
    assert_eq!(in_words(poller.next_action(ms(1))), "wait 1000");
    poller.received(b"\r\n>", ms(0));
    assert_eq!(in_words(poller.next_action(ms(2))), "010D");
}

#[test]
fn answers_reach_the_values_they_belong_to() {
    let poll = "every = \"100 ms\"\nrequest = [{ name = \"lift\", send = \"1\" }, { name = \"feed\", send = \"2\" }]";
    let decode = "kind = \"pattern\"\n\
        [[decode.message]]\nanswers = [\"lift\"]\npattern = '^(?<value>.*)$'\nvalue = [{ name = \"lift\", unit = \"A\" }]\n\
        [[decode.message]]\nanswers = [\"feed\"]\npattern = '^(?<value>.*)$'\nvalue = [{ name = \"feed\", unit = \"V\" }]\n";
    let protocol = protocol(poll, decode);
    let mut poller = Poller::new(&protocol, ms(0)).unwrap();
    let (mut engine, mut out) = (Engine::new(protocol.clone()), Decoded::default());
    for (answer, now) in [(&b"0.5\n"[..], 0), (b"12.4\n", 1)] {
        assert!(matches!(poller.next_action(ms(now)), PollAction::Send(_)));
        engine.set_request(poller.request());
        engine.push(answer, &mut out);
        poller.received(answer, ms(0));
    }
    engine.set_request(None);
    engine.push(b"7\n", &mut out);
    let shown: Vec<String> =
        out.readings.iter().map(|reading| show_reading(&engine.names()[usize::from(reading.name)], reading)).collect();
    assert_eq!(shown, ["lift = 0.5 A", "feed = 12.4 V"]);
    assert_eq!(out.problems[0].reason, "expected a message that the protocol knows");
}

#[test]
fn a_request_that_a_meter_does_not_know_is_asked_no_more() {
    let poll = "every = \"100 ms\"\ntimeout = \"50 ms\"\nrequest = [{ name = \"function\", send = \"FUNC?\", optional = true }, \
        { name = \"value\", send = \"READ?\" }]\nerrors = { send = \"SYST:ERR?\", none = '^0', rounds = 1000 }";
    let protocol = protocol(poll, NUMBER);
    // The meter knows neither the function nor a queue of errors.
    let mut poller = Poller::new(&protocol, ms(0)).unwrap();
    let (mut sent, mut now) = (Vec::new(), 0);
    while now < 3000 {
        match poller.next_action(ms(now)) {
            PollAction::Send(bytes) => {
                sent.push(String::from_utf8_lossy(bytes).trim_end().to_owned());
                if sent.last().unwrap() == "READ?" {
                    poller.received(b"1.5\n", ms(now));
                }
            }
            PollAction::Wait(until) => now = until.0 / 1000,
        }
    }
    let count = |of: &str| sent.iter().filter(|text| *text == of).count();
    assert_eq!((count("FUNC?"), count("SYST:ERR?")), (2, 2), "{sent:?}");
    assert!(count("READ?") > 20, "{sent:?}");
    let notices: Vec<_> = std::iter::from_fn(|| poller.take_notice()).collect();
    let unknown = |name: &str| format!("the meter does not know \"{name}\" and is asked it no more");
    assert_eq!(notices, [unknown("FUNC?"), unknown("SYST:ERR?")]);
    // One that says so at once is asked once.
    let mut poller = Poller::new(&protocol, ms(0)).unwrap();
    assert_eq!(in_words(poller.next_action(ms(0))), "FUNC?");
    assert_eq!(in_words(poller.next_action(ms(50))), "wait 100");
    assert_eq!(in_words(poller.next_action(ms(150))), "READ?");
    poller.received(b"1.5\n", ms(150));
    assert_eq!(in_words(poller.next_action(ms(150))), "SYST:ERR?");
    poller.received(b"-113,\"Undefined header\"\n", ms(151));
    poller.received(b"", ms(151));
    assert_eq!(in_words(poller.next_action(ms(151))), "SYST:ERR?");
    poller.received(b"0,\"No error\"\n", ms(152));
    assert_eq!(in_words(poller.next_action(ms(152))), "READ?");
    assert_eq!(poller.take_notice(), Some(unknown("FUNC?")));
}

#[test]
fn a_late_answer_is_reported_and_gives_more_time() {
    let poll = "every = \"100 ms\"\ntimeout = \"3 s\"\nrequest = [{ name = \"value\", send = \"READ?\" }]";
    let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
    assert_eq!(in_words(poller.next_action(ms(0))), "READ?");
    assert_eq!(in_words(poller.next_action(ms(3000))), "wait 6000");
    poller.received(b"1.5\n", ms(4000));
    let late = "the answer to \"READ?\" came after 4.0 s, later than 3.0 s; from now on it has 8.0 s";
    assert_eq!(poller.take_notice().as_deref(), Some(late));
    assert_eq!(in_words(poller.next_action(ms(6000))), "READ?");
    assert_eq!(in_words(poller.next_action(ms(10_000))), "wait 14000");
    poller.received(b"1.5\n", ms(13_999));
    assert_eq!((in_words(poller.next_action(ms(13_999))), poller.timeouts()), ("READ?".to_owned(), 1));
}

#[test]
fn a_device_that_starts_anew_gets_its_opening_lines_again() {
    let poll = "open = [\"E0\", \"H1\"]\nready = \">\"\nrestart = '^>?ADAPTER v'\nevery = \"100 ms\"\nterminator = \"\\r\"\n\
        request = [{ name = \"speed\", send = \"010D\" }]";
    let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
    for (sent, answer) in [
        ("E0", "OK\r\n>"),
        ("H1", "OK\r\n>"),
        ("010D", "ADAPTER v1\r\n>"),
        ("E0", "OK\r\n>"),
        ("H1", "OK\r\n>"),
        ("010D", "1\r\n>"),
    ] {
        let mut next = in_words(poller.next_action(ms(200)));
        if next.starts_with("wait") {
            next = in_words(poller.next_action(ms(300)));
        }
        assert_eq!(next, sent);
        poller.received(answer.as_bytes(), ms(200));
    }
    assert!(poller.take_notice().is_some_and(|notice| notice.contains("started anew")));
}

proptest::proptest! {
    /// Whatever comes when, the poller neither sends without end nor stays silent for good.
    #[test]
    fn it_always_goes_on(steps in proptest::collection::vec((0i64..300, 0usize..4), 1..200)) {
        let poll = "open = [\"x\"]\nevery = \"100 ms\"\ntimeout = \"50 ms\"\nrequest = [{ name = \"a\", send = \"A\", rounds = 3 }]\n\
            errors = { send = \"E\", none = '^0', rounds = 5 }";
        let mut poller = Poller::new(&protocol(poll, NUMBER), ms(0)).unwrap();
        let mut now = 0;
        for (later, what) in steps {
            now += later;
            let mut sent = 0;
            while let PollAction::Send(_) = poller.next_action(ms(now)) {
                sent += 1;
                proptest::prop_assert!(sent <= 2);
            }
            let PollAction::Wait(until) = poller.next_action(ms(now)) else { panic!("it waits now") };
            // Four times as long after time-outs, and twice what a late answer took.
            proptest::prop_assert!(until > ms(now) && until <= ms(now + 480_000));
            poller.received([&b""[..], b"1\n", b"0\n", b"\n"][what], ms(now));
        }
    }
}
