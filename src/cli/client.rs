//! Talks to the daemon.

use std::{
    io::{self, BufRead, BufReader, Write},
    os::unix::net::UnixStream,
};

use super::{Common, failure::Failure};
use crate::server::{Answer, Request};

/// A connection to the daemon's control socket.
pub(super) struct Client {
    lines: BufReader<UnixStream>,
}

impl Client {
    /// Connects to the daemon of the data folder.
    pub(super) fn connect(common: &Common) -> Result<Self, Failure> {
        let folder = common.folder()?;
        let stream = UnixStream::connect(folder.socket()).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => Failure::no_daemon(format!(
                "no daemon answers in {}; start one with `bayline run`, or say where it is with --data",
                folder.path().display()
            )),
            _ => Failure::no_daemon(format!("the daemon in {} can't be reached: {error}", folder.path().display())),
        })?;
        Ok(Self { lines: BufReader::new(stream) })
    }

    /// Asks; a refusal is a failure with the daemon's words.
    pub(super) fn ask(&mut self, request: &Request) -> Result<Answer, Failure> {
        let mut line = serde_json::to_string(request).map_err(io::Error::from)?;
        line.push('\n');
        self.lines.get_mut().write_all(line.as_bytes())?;
        let answer = self.next_line()?.ok_or_else(gone)?;
        let answer: Answer = serde_json::from_str(&answer).map_err(io::Error::from)?;
        match answer.error {
            Some(error) if !answer.ok => Err(Failure::failed(anyhow::Error::msg(error))),
            _ => Ok(answer),
        }
    }

    /// The next line; none when the daemon hung up.
    pub(super) fn next_line(&mut self) -> io::Result<Option<String>> {
        let mut line = String::new();
        let length = self.lines.read_line(&mut line)?;
        Ok((length > 0).then(|| line.trim_end().to_owned()))
    }
}

/// Asks the daemon one thing.
pub(super) fn ask(common: &Common, request: &Request) -> Result<Answer, Failure> {
    Client::connect(common)?.ask(request)
}

fn gone() -> Failure {
    Failure::no_daemon("the daemon stopped before it answered; what it had not acknowledged may be missing")
}
