//! Proves that those who watch are told what happens, and that a slow one holds nobody up.

use std::{
    io::{BufRead, BufReader},
    process::{Child, ChildStdout, Stdio},
};

use serde_json::{Value, json};

use crate::harness::{Bay, Daemon, HANDHELD, PATIENCE, now, of_meter, text};

/// `bayline watch`, as it runs.
struct Watcher {
    process: Child,
    lines: BufReader<ChildStdout>,
}

impl Watcher {
    fn start(bay: &Bay, arguments: &[&str]) -> Self {
        let mut process = bay.command(arguments).stdout(Stdio::piped()).spawn().unwrap();
        let lines = BufReader::new(process.stdout.take().unwrap());
        Self { process, lines }
    }

    /// The next line; none at the end.
    fn next(&mut self) -> Option<String> {
        let mut line = String::new();
        (self.lines.read_line(&mut line).unwrap() > 0).then(|| line.trim_end().to_owned())
    }

    /// Reads on to a line that is wanted. Readings come all the time, so that this never waits for long.
    fn until(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let began = now();
        loop {
            let line = self.next().unwrap_or_else(|| panic!("the watching ended before {what}"));
            let news: Value = serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"));
            if wanted(&news) {
                return news;
            }
            assert!(began.elapsed() < PATIENCE, "{what} was awaited in vain");
        }
    }
}

fn feed_procedure(bay: &Bay) -> Daemon {
    let procedure = "title = \"Feeds\"\n[[step]]\nname = \"feed\"\nchannel = \"probe\"\nat_least = \"11.8 V\"\n\
                     [[step]]\nname = \"ground\"\nchannel = \"probe\"\nat_most = \"100 mV\"\n";
    let path = bay.write("feeds.toml", procedure);
    bay.start_with(&["--procedure", text(&path)])
}

#[test]
fn news_are_one_object_a_line_and_tell_steps_captures_and_readings() {
    let bay = Bay::with_bench(HANDHELD);
    let mut handheld = bay.meter("handheld");
    let mut daemon = feed_procedure(&bay);
    daemon.until_open(["handheld"]);
    let mut watcher = Watcher::start(&bay, &["watch", "--json"]);
    watcher.until("readings", |news| news["news"] == "readings");
    handheld.line("12.41 V");
    let news = watcher.until("a reading", |news| news["readings"][0]["value"] == 12.41);
    assert_eq!(news["readings"][0]["channel"], "probe");
    assert_eq!((&news["readings"][0]["verdict"], &news["readings"][0]["unit"]), (&json!("in limit"), &json!("V")));
    assert!(news["elapsed_s"].as_f64().unwrap() > 0.0);

    // A dip between two messages with readings is not missed.
    for line in ["0.20 V", "12.41 V"] {
        handheld.line(line);
    }
    let news = watcher.until("the dip", |news| news["readings"][0]["least"] == 0.2);
    watcher.until("the end of the dip", |news| news["readings"][0]["value"] == 12.41);
    // All that is known of this channel is its last digit: a rectangle of 0.01 V (GUM, JCGM 100:2008, 4.3.7).
    assert!((news["readings"][0]["u"].as_f64().unwrap() - 0.01 / 12_f64.sqrt()).abs() < 1e-9, "{news}");

    daemon.take();
    let news = watcher.until("the capture", |news| news["news"] == "captured");
    assert_eq!((&news["step"], &news["capture"]["verdict"]), (&json!("feed"), &json!("in limit")));
    assert_eq!((&news["capture"]["value"], &news["capture"]["how"]), (&json!(12.41), &json!("taken")));
    daemon.step("next");
    let news = watcher.until("the judgement", |news| news["news"] == "judged");
    assert_eq!((&news["step"], &news["judged"]["verdict"]), (&json!("feed"), &json!("in limit")));
    let news = watcher.until("the step", |news| news["news"] == "step");
    assert_eq!((&news["step"]["name"], &news["step"]["place"]), (&json!("ground"), &json!(2)));
    daemon.note("oil on the plug");
    let news = watcher.until("the note", |news| news["news"] == "event");
    assert_eq!((&news["kind"], &news["text"]), (&json!("note"), &json!("oil on the plug")));
    handheld.unplug();
    watcher.until("the loss", |news| news["kind"] == "meter lost" && news["subject"] == "handheld");
    daemon.ask(json!({"do": "begin"}));
    watcher.until("the end", |news| news["news"] == "session-ended" && news["how"] == "replaced");
    watcher.until("the begin", |news| news["news"] == "session-began" && news["title"] == "free-running");
    daemon.stop();
    while watcher.next().is_some_and(|line| serde_json::from_str::<Value>(&line).is_ok()) {}
    assert!(watcher.process.wait().unwrap().success());
}

#[test]
fn people_watch_in_words() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut daemon = feed_procedure(&bay);
    daemon.until_open(["handheld"]);
    let mut watcher = Watcher::start(&bay, &["watch"]);
    assert_eq!(watcher.next().unwrap(), "step 1 of 2: feed");
    assert_eq!(watcher.next().unwrap(), "  probe: at least 11.8 V");
    // It follows a moment after it has told the step: notes until one comes through.
    let client = bay.client();
    let reported = std::thread::scope(|scope| {
        let mut client = client;
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        scope.spawn(move || {
            while stopped.try_recv() == Err(std::sync::mpsc::TryRecvError::Empty) {
                client.note("is anybody there");
            }
        });
        let reported = watcher.next();
        drop(stop);
        reported
    });
    assert_eq!(reported.unwrap(), "note: is anybody there");
    handheld.line("9.20 V");
    daemon.until_samples(1);
    daemon.take();
    daemon.step("next");
    daemon.stop();
    let mut said = String::new();
    while let Some(line) = watcher.next() {
        if line != "note: is anybody there" {
            // The reason may name the time: only the verdict is compared.
            said += if line.starts_with("no reading") { "no reading" } else { &line };
            said.push('\n');
        }
    }
    assert_eq!(
        said,
        "\u{7}captured (taken), step \"feed\", probe: out of limit, 9.20 V is 2.60 V too low, at least 11.8 V wanted\n\
         step 2 of 2: ground\n  probe: at most 100 mV\n\
         no reading\n\
         session stopped\nthe daemon has stopped\n"
    );
    assert!(watcher.process.wait().unwrap().success());
}

#[test]
fn a_slow_watcher_stops_nothing_and_is_reported_what_it_missed() {
    let bay = Bay::new();
    let board = bay.meter("board");
    let option = format!("board={},pairs", bay.port("board").display());
    let mut daemon = bay.launch(bay.command(["run", "--meter", &option]));
    daemon.until_open(["board"]);
    let mut slow = bay.client();
    slow.ask(json!({"do": "watch"}));
    // Each take tells a piece of news for each of 60 channels, and nobody reads them.
    let scan: Vec<String> = (0..60).map(|number| format!("c{number}=12")).collect();
    let scan = scan.join(" ");
    for round in 1..=60 {
        board.line(&scan);
        daemon.until_samples(round * 60);
        daemon.take();
    }
    assert_eq!(of_meter(&daemon.status(), "board")["open"], true);
    let kept = bay.kept();
    assert_eq!(kept.number("SELECT COUNT(*) FROM sample"), 3600);
    assert_eq!(kept.number("SELECT COUNT(*) FROM capture"), 3600);
    assert_eq!(kept.number("SELECT COUNT(*) FROM event WHERE kind = 'samples lost'"), 0);

    // What was told and what was missed make up all that happened.
    daemon.note("the last word");
    let (mut captured, mut missed, mut readings) = (0, 0, 0);
    loop {
        let news = slow.next().unwrap();
        match news["news"].as_str().unwrap() {
            "captured" => captured += 1,
            "missed" => missed += news["count"].as_u64().unwrap(),
            "readings" => readings += 1,
            // What is taken without a step makes one.
            "step" => {}
            "event" if news["text"] == "the last word" => break,
            other => panic!("{other}: {news}"),
        }
    }
    assert!(missed > 0 && captured > 0, "{captured} captured, {missed} missed");
    assert!(captured + missed + readings >= 3600, "{captured} + {missed} + {readings}");
    daemon.stop();
}

#[test]
fn a_watcher_that_leaves_is_forgotten() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start();
    let mut watcher = Watcher::start(&bay, &["watch", "--json"]);
    watcher.until("readings", |news| news["news"] == "readings");
    drop(watcher.lines);
    // A reader that ends is no failure of the one who writes.
    daemon.note("is anybody there");
    assert!(watcher.process.wait().unwrap().success());
    daemon.note("still here");
}
