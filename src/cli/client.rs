//! The client of the daemon's control socket.

use std::{
    io::{self, BufRead, BufReader, Write},
    os::unix::net::UnixStream,
};

use super::{CommonArgs, failure::Failure};
use crate::{
    io_reason::IoReason,
    server::{Answer, Request},
};

/// A connection to the daemon's control socket.
pub(super) struct Client {
    lines: BufReader<UnixStream>,
}

impl Client {
    /// Connects to the daemon of the data folder.
    pub(super) fn connect(common: &CommonArgs) -> Result<Self, Failure> {
        let folder = common.folder()?;
        let stream = UnixStream::connect(folder.socket()).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => Failure::no_daemon(format!(
                "no daemon is running in {}; start one with `bayline run`, or give its folder with --data",
                folder.path().display()
            )),
            _ => Failure::no_daemon(format!(
                "the daemon in {} can't be reached: {}",
                folder.path().display(),
                IoReason(&error)
            )),
        })?;
        Ok(Self { lines: BufReader::new(stream) })
    }

    /// Sends a request and waits for the answer. A refusal is a failure with the daemon's sentence.
    pub(super) fn ask(&mut self, request: &Request) -> Result<Answer, Failure> {
        let mut line = serde_json::to_string(request).map_err(io::Error::from)?;
        line.push('\n');
        self.lines.get_mut().write_all(line.as_bytes())?;
        let answer = self.next_line()?.ok_or_else(stopped_before_answer)?;
        let answer: Answer = serde_json::from_str(&answer).map_err(io::Error::from)?;
        match answer.error {
            Some(error) if !answer.ok => Err(Failure::failed(anyhow::Error::msg(error))),
            _ => Ok(answer),
        }
    }

    /// The next line; none when the daemon closed the connection.
    pub(super) fn next_line(&mut self) -> io::Result<Option<String>> {
        let mut line = String::new();
        let length = self.lines.read_line(&mut line)?;
        Ok((length > 0).then(|| line.trim_end().to_owned()))
    }
}

/// Sends one request over a connection of its own.
pub(super) fn ask(common: &CommonArgs, request: &Request) -> Result<Answer, Failure> {
    Client::connect(common)?.ask(request)
}

fn stopped_before_answer() -> Failure {
    Failure::no_daemon(
        "the daemon stopped before it answered; the command may not have been recorded: look with `bayline show` and repeat it",
    )
}
