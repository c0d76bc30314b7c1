//! A child process that prints what a meter says.
//!
//! It is started without a shell, in a process group of its own, so that its own children end with
//! it. Lines that it writes to its standard error go to the log.

use std::{
    io::{self, Read},
    os::{fd::AsFd, unix::process::CommandExt},
    process::{self, ChildStderr, ChildStdin, ChildStdout, Command, Stdio},
    thread,
    time::Duration,
};

use memchr::memchr;
use nix::{
    errno::Errno,
    sys::{
        signal::{Signal, killpg},
        wait::{Id, WaitPidFlag, WaitStatus, waitid},
    },
    unistd::Pid,
};

use crate::io_reason::IoReason;

use super::{
    LONGEST_READ_WAIT, Port, ReadOutcome,
    connection::read_outcome,
    wait::{Deadline, never_block, readable, write_all},
};

/// How long a program may take to end after it was asked, before it is killed.
const GRACE: Duration = Duration::from_millis(100);

/// How often it is checked for its end; only while it is ending.
const CHECK_EVERY: Duration = Duration::from_millis(5);

/// So often the standard error of a program that has ended is read.
const MOST_AT_END: usize = 64;

/// Longer lines of the standard error are logged in pieces.
const LONGEST_ERROR_LINE: usize = 1024;

pub(super) struct Child {
    name: String,
    process: process::Child,
    group: Pid,
    /// Taken when the program is to end: many end with their input.
    input: Option<ChildStdin>,
    output: ChildStdout,
    error_output: Option<ErrorOutput>,
    /// The last line of its standard error, as it may be shown; empty for none.
    last_error: String,
    /// How it ended; none while its number is still its own.
    reaped: Option<process::ExitStatus>,
}

impl Child {
    pub(super) fn start(program: &str, arguments: &[String]) -> io::Result<Self> {
        let mut process = Command::new(program)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(|error| {
                io::Error::new(error.kind(), format!("\"{program}\" can't be started: {}", IoReason(&error)))
            })?;
        let group = Pid::from_raw(i32::try_from(process.id()).expect("process numbers of Unix are positive ints"));
        let input = process.stdin.take();
        let output = process.stdout.take().expect("its output was asked for");
        let error_output = process.stderr.take().map(|pipe| ErrorOutput { pipe, line: Vec::new() });
        let child = Self {
            name: program.to_owned(),
            process,
            group,
            input,
            output,
            error_output,
            last_error: String::new(),
            reaped: None,
        };
        // From here on whatever fails ends the program, by its drop.
        never_block(&child.output)?;
        if let Some(error_output) = &child.error_output {
            never_block(&error_output.pipe)?;
        }
        if let Some(input) = &child.input {
            never_block(input)?;
        }
        Ok(child)
    }

    fn log_error_output(&mut self) {
        if let Some(error_output) = &mut self.error_output
            && error_output.log(&self.name, &mut self.last_error) == Pipe::Closed
        {
            self.error_output = None;
        }
    }

    /// It closed its output: there is nothing more to come.
    fn ended(&mut self) -> io::Error {
        let by_itself = self.has_ended_within(GRACE);
        // Why it ended stands in its last line. What its own children go on writing is not waited for.
        for _ in 0..MOST_AT_END {
            if !by_itself || !self.error_output.as_ref().is_some_and(ErrorOutput::has_more) {
                break;
            }
            self.log_error_output();
        }
        self.log_error_output();
        let said = match self.last_error.as_str() {
            "" => String::new(),
            last => format!("; it said at last: {last}"),
        };
        let how = match (by_itself, self.end()) {
            (true, Ok(status)) => format!("\"{}\" ended ({status}){said}", self.name),
            (false, _) => format!("\"{}\" closed its output, so it was ended", self.name),
            (true, Err(error)) => format!("\"{}\" ended: {}", self.name, IoReason(&error)),
        };
        io::Error::new(io::ErrorKind::UnexpectedEof, how)
    }

    fn has_ended_within(&self, grace: Duration) -> bool {
        let grace = Deadline::new(grace);
        loop {
            // Its number is kept until it is reaped, so that the group can still be named by it.
            let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOHANG | WaitPidFlag::WNOWAIT;
            match waitid(Id::Pid(self.group), flags) {
                Ok(WaitStatus::StillAlive) | Err(Errno::EINTR) => {}
                // No such child: it was reaped already.
                Ok(_) | Err(_) => return true,
            }
            let Some(left) = grace.remaining() else { return false };
            thread::sleep(CHECK_EVERY.min(left));
        }
    }

    /// Kills what is left of the group and reaps the program, once.
    fn end(&mut self) -> io::Result<process::ExitStatus> {
        if let Some(status) = self.reaped {
            return Ok(status);
        }
        // It fails when the group has no process left, which is the aim.
        let _ = killpg(self.group, Signal::SIGKILL);
        let status = self.process.wait()?;
        self.reaped = Some(status);
        Ok(status)
    }
}

impl Drop for Child {
    fn drop(&mut self) {
        if self.reaped.is_some() {
            return;
        }
        self.input = None;
        // The group may have ended already.
        let _ = killpg(self.group, Signal::SIGTERM);
        self.has_ended_within(GRACE);
        self.log_error_output();
        if let Err(error) = self.end() {
            tracing::warn!("\"{}\" could not be ended: {error}", self.name);
        }
    }
}

impl Port for Child {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        let patience = Deadline::new(patience.min(LONGEST_READ_WAIT));
        loop {
            let left = patience.remaining();
            let wait = left.unwrap_or_default();
            let (ready, has_errors) = match &self.error_output {
                Some(error_output) => {
                    let [ready, has_errors] = readable([self.output.as_fd(), error_output.pipe.as_fd()], wait)?;
                    (ready, has_errors)
                }
                None => (readable([self.output.as_fd()], wait)? == [true], false),
            };
            if has_errors {
                self.log_error_output();
            }
            if ready {
                return match self.output.read(buffer) {
                    Ok(0) => Err(self.ended()),
                    other => read_outcome(other),
                };
            }
            if left.is_none() {
                return Ok(ReadOutcome::Silence);
            }
        }
    }

    fn write_all(&mut self, bytes: &[u8], patience: Duration) -> io::Result<()> {
        match &mut self.input {
            Some(input) => write_all(input, bytes, patience),
            None => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }
}

#[derive(Debug, PartialEq, Eq)]
enum Pipe {
    Open,
    Closed,
}

/// The program's standard error.
struct ErrorOutput {
    pipe: ChildStderr,
    /// A line that is not complete yet.
    line: Vec<u8>,
}

impl ErrorOutput {
    /// Logs the lines that are there, a bounded number of them.
    fn log(&mut self, program: &str, last: &mut String) -> Pipe {
        let mut buffer = [0; LONGEST_ERROR_LINE];
        match self.pipe.read(&mut buffer) {
            Ok(0) => self.log_rest(program, last),
            Ok(count) => {
                self.line.extend_from_slice(&buffer[..count]);
                while let Some(end) = memchr(b'\n', &self.line) {
                    log_line(program, &self.line[..end], last);
                    self.line.drain(..=end);
                }
                if self.line.len() >= LONGEST_ERROR_LINE {
                    self.log_rest(program, last);
                }
                return Pipe::Open;
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                return Pipe::Open;
            }
            Err(_) => self.log_rest(program, last),
        }
        Pipe::Closed
    }

    /// Whether something can be read at once.
    fn has_more(&self) -> bool {
        readable([self.pipe.as_fd()], Duration::ZERO).is_ok_and(|[ready]| ready)
    }

    fn log_rest(&mut self, program: &str, last: &mut String) {
        if !self.line.is_empty() {
            log_line(program, &self.line, last);
            self.line.clear();
        }
    }
}

fn log_line(program: &str, line: &[u8], last: &mut String) {
    let line = line.trim_ascii_end();
    if line.is_empty() {
        return;
    }
    // The text comes from another program: characters that control a terminal are shown, not sent.
    *last = String::from_utf8_lossy(line).escape_debug().to_string();
    tracing::warn!("\"{program}\" says: {last}");
}

#[cfg(test)]
mod tests {
    use std::fs::File;

    use nix::{
        sys::{signal::kill, stat::Mode},
        unistd::mkfifo,
    };

    use super::*;

    fn shell(script: &str) -> Child {
        Child::start("sh", &["-c".to_owned(), script.to_owned()]).unwrap()
    }

    /// Reads until something other than silence; the test's own time-out ends it otherwise.
    fn next(child: &mut Child) -> io::Result<Vec<u8>> {
        let mut buffer = [0; 256];
        loop {
            if let ReadOutcome::Bytes(count) = child.read(&mut buffer, LONGEST_READ_WAIT)? {
                return Ok(buffer[..count].to_vec());
            }
        }
    }

    #[test]
    fn what_it_prints_is_received_and_how_it_ended_is_reported() {
        let mut child = shell("echo 12.5; echo trouble >&2; exit 3");
        assert_eq!(next(&mut child).unwrap(), b"12.5\n");
        let error = next(&mut child).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::UnexpectedEof);
        assert_eq!(error.to_string(), "\"sh\" ended (exit status: 3); it said at last: trouble");
    }

    #[test]
    fn what_is_written_reaches_its_input() {
        let mut child = Child::start("cat", &[]).unwrap();
        child.write_all(b"READ?\n", LONGEST_READ_WAIT).unwrap();
        assert_eq!(next(&mut child).unwrap(), b"READ?\n");
    }

    #[test]
    fn it_and_its_children_are_gone_when_the_port_is_dropped() {
        // A program that ignores being asked, with a child that holds a pipe open as long as it lives.
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        mkfifo(&pipe, Mode::S_IRWXU).unwrap();
        let mut child = shell(&format!("trap '' TERM; sleep 1000 >'{}' & echo $$; wait; wait", pipe.display()));
        let mut held = File::open(&pipe).unwrap();
        let number = String::from_utf8(next(&mut child).unwrap()).unwrap().trim().parse().unwrap();
        drop(child);
        // The program was reaped, so its number is free.
        assert_eq!(kill(Pid::from_raw(number), None), Err(Errno::ESRCH));
        assert_eq!(held.read_to_end(&mut Vec::new()).unwrap(), 0);
    }

    #[test]
    fn one_that_closes_its_output_is_ended() {
        let mut child = shell("exec >&-; exec sleep 1000");
        let error = next(&mut child).unwrap_err();
        assert!(error.to_string().contains("closed its output"), "{error}");
    }

    #[test]
    fn one_that_is_missing_is_reported_by_name() {
        let error = Child::start("no-such-meter-tool", &[]).err().unwrap();
        assert_eq!(error.kind(), io::ErrorKind::NotFound);
        assert!(error.to_string().contains("no-such-meter-tool"), "{error}");
    }

    #[test]
    fn a_long_error_line_does_not_fill_the_memory() {
        let mut child = shell("head -c 300000 /dev/zero >&2; echo done");
        assert_eq!(next(&mut child).unwrap(), b"done\n");
        assert!(
            child.error_output.as_ref().is_none_or(|error_output| error_output.line.len() < 2 * LONGEST_ERROR_LINE)
        );
    }
}
