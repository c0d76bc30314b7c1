//! A script at the control socket: JSON lines, as anyone could write it.

use std::{
    io::{BufRead, BufReader, ErrorKind, Write},
    os::unix::net::UnixStream,
    path::Path,
};

use serde_json::{Value, json};

use super::{PATIENCE, now};

pub(crate) struct Client {
    lines: BufReader<UnixStream>,
}

impl Client {
    pub(crate) fn connect(socket: &Path) -> Self {
        let stream = UnixStream::connect(socket).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        Self { lines: BufReader::new(stream) }
    }

    /// Sends a line as it is.
    pub(crate) fn send(&mut self, line: &str) {
        self.lines.get_mut().write_all(format!("{line}\n").as_bytes()).unwrap();
    }

    /// The next line; none when the daemon hung up.
    pub(crate) fn next(&mut self) -> Option<Value> {
        let mut line = String::new();
        match self.lines.read_line(&mut line) {
            Ok(0) => None,
            Ok(_) => Some(serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"))),
            // A daemon that was killed resets what it had not read.
            Err(error) if error.kind() == ErrorKind::ConnectionReset => None,
            Err(error) => panic!("the daemon said nothing: {error}"),
        }
    }

    /// Asks, and gives back the answer whatever it is.
    pub(crate) fn answer(&mut self, request: &Value) -> Value {
        self.send(&request.to_string());
        self.next().unwrap_or_else(|| panic!("the daemon hung up on {request}"))
    }

    /// Asks for what must be done.
    pub(crate) fn ask(&mut self, request: Value) -> Value {
        let answer = self.answer(&request);
        assert_eq!(answer["ok"], true, "{request}: {answer}");
        answer
    }

    /// Asks for what must be refused, and gives back the sentence.
    pub(crate) fn refused(&mut self, request: Value) -> String {
        let answer = self.answer(&request);
        assert_eq!(answer["ok"], false, "{request}: {answer}");
        answer["error"].as_str().unwrap().to_owned()
    }

    /// Follows what happens from now on.
    pub(crate) fn watch(mut self) -> Self {
        self.ask(json!({"do": "watch"}));
        self
    }

    /// Listens on to a piece of news that is wanted. Readings come all the time, so that this never waits for long.
    pub(crate) fn heard(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let began = now();
        loop {
            let news = self.next().unwrap_or_else(|| panic!("the daemon hung up before {what}"));
            if wanted(&news) {
                return news;
            }
            assert!(began.elapsed() < PATIENCE, "{what} was awaited in vain");
        }
    }

    /// Listens on to something that is said.
    pub(crate) fn said(&mut self, words: &str) -> String {
        let news = self.heard(words, |news| {
            news["news"] == "say" && news["text"].as_str().is_some_and(|text| text.contains(words))
        });
        news["text"].as_str().unwrap().to_owned()
    }

    /// Listens on to a question.
    pub(crate) fn asked(&mut self, words: &str) -> Value {
        self.heard(words, |news| {
            news["news"] == "ask" && news["ask"]["text"].as_str().is_some_and(|text| text.contains(words))
        })["ask"]
            .take()
    }

    /// Listens on to a capture without hands in a step.
    pub(crate) fn captured(&mut self, step: &str) -> Value {
        self.captured_by("steady", step)
    }

    /// Listens on to a capture in a step that was made in this way.
    pub(crate) fn captured_by(&mut self, how: &str, step: &str) -> Value {
        let is_such = |news: &Value| news["news"] == "captured" && news["capture"]["how"] == how;
        self.heard(step, |news| is_such(news) && news["step"] == step)["capture"].take()
    }

    /// Listens on to a step's begin.
    pub(crate) fn began(&mut self, step: &str) {
        self.heard(step, |news| news["news"] == "step" && news["step"]["name"] == step);
    }

    pub(crate) fn step(&mut self, to: &str) -> Value {
        self.ask(json!({"do": "step", "to": to}))
    }

    pub(crate) fn note(&mut self, text: &str) -> Value {
        self.ask(json!({"do": "note", "text": text}))
    }

    pub(crate) fn mark(&mut self, text: &str) -> Value {
        self.ask(json!({"do": "mark", "text": text}))
    }

    pub(crate) fn take(&mut self) -> Value {
        self.ask(json!({"do": "take"}))
    }

    pub(crate) fn status(&mut self) -> Value {
        self.ask(json!({"do": "status"}))["status"].take()
    }
}
