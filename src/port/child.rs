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

use super::{
    Heard, PATIENCE, Port,
    open::heard,
    wait::{Patience, never_block, readable, write_all},
};

/// How long a program may take to end after it was asked, before it is killed.
const GRACE: Duration = Duration::from_millis(100);

/// How often it is looked whether it has ended; only while it is ending.
const LOOK_EVERY: Duration = Duration::from_millis(5);

/// Longer lines of the standard error are told in pieces.
const LONGEST_COMPLAINT: usize = 1024;

pub(super) struct Child {
    name: String,
    process: process::Child,
    group: Pid,
    /// Taken when the program is to end: many end with their input.
    input: Option<ChildStdin>,
    output: ChildStdout,
    complaints: Option<Complaints>,
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
            .map_err(|error| io::Error::new(error.kind(), format!("\"{program}\" can't be started: {error}")))?;
        let group = Pid::from_raw(i32::try_from(process.id()).expect("process numbers of Unix are positive ints"));
        let input = process.stdin.take();
        let output = process.stdout.take().expect("its output was asked for");
        let complaints = process.stderr.take().map(|pipe| Complaints { pipe, line: Vec::new() });
        let child = Self { name: program.to_owned(), process, group, input, output, complaints, reaped: None };
        // From here on whatever fails ends the program, by its drop.
        never_block(&child.output)?;
        if let Some(complaints) = &child.complaints {
            never_block(&complaints.pipe)?;
        }
        if let Some(input) = &child.input {
            never_block(input)?;
        }
        Ok(child)
    }

    fn log_complaints(&mut self) {
        if let Some(complaints) = &mut self.complaints
            && complaints.log(&self.name) == Pipe::Closed
        {
            self.complaints = None;
        }
    }

    /// It closed its output: there is nothing more to come.
    fn ended(&mut self) -> io::Error {
        let by_itself = self.has_ended_within(GRACE);
        self.log_complaints();
        let how = match (by_itself, self.end()) {
            (true, Ok(status)) => format!("\"{}\" ended ({status})", self.name),
            (false, _) => format!("\"{}\" closed its output, so it was ended", self.name),
            (true, Err(error)) => format!("\"{}\" ended: {error}", self.name),
        };
        io::Error::new(io::ErrorKind::UnexpectedEof, how)
    }

    fn has_ended_within(&self, grace: Duration) -> bool {
        let grace = Patience::new(grace);
        loop {
            // Its number is kept until it is reaped, so that the group can still be named by it.
            let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOHANG | WaitPidFlag::WNOWAIT;
            match waitid(Id::Pid(self.group), flags) {
                Ok(WaitStatus::StillAlive) | Err(Errno::EINTR) => {}
                // No such child: it was reaped already.
                Ok(_) | Err(_) => return true,
            }
            let Some(left) = grace.left() else { return false };
            thread::sleep(LOOK_EVERY.min(left));
        }
    }

    /// Kills what is left of the group and reaps the program, once.
    fn end(&mut self) -> io::Result<process::ExitStatus> {
        if let Some(status) = self.reaped {
            return Ok(status);
        }
        // It fails when nobody is left in the group: that is what is wanted.
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
        // Nobody may be left to be asked.
        let _ = killpg(self.group, Signal::SIGTERM);
        self.has_ended_within(GRACE);
        self.log_complaints();
        if let Err(error) = self.end() {
            tracing::warn!("\"{}\" could not be ended: {error}", self.name);
        }
    }
}

impl Port for Child {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<Heard> {
        let patience = Patience::new(patience.min(PATIENCE));
        loop {
            let left = patience.left();
            let wait = left.unwrap_or_default();
            let (ready, complains) = match &self.complaints {
                Some(complaints) => {
                    let [ready, complains] = readable([self.output.as_fd(), complaints.pipe.as_fd()], wait)?;
                    (ready, complains)
                }
                None => (readable([self.output.as_fd()], wait)? == [true], false),
            };
            if complains {
                self.log_complaints();
            }
            if ready {
                return match self.output.read(buffer) {
                    Ok(0) => Err(self.ended()),
                    other => heard(other),
                };
            }
            if left.is_none() {
                return Ok(Heard::Silence);
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
struct Complaints {
    pipe: ChildStderr,
    /// A line that is not complete yet.
    line: Vec<u8>,
}

impl Complaints {
    /// Logs the lines that are there, a bounded number of them.
    fn log(&mut self, program: &str) -> Pipe {
        let mut buffer = [0; LONGEST_COMPLAINT];
        match self.pipe.read(&mut buffer) {
            Ok(0) => self.tell_rest(program),
            Ok(count) => {
                self.line.extend_from_slice(&buffer[..count]);
                while let Some(end) = memchr(b'\n', &self.line) {
                    tell(program, &self.line[..end]);
                    self.line.drain(..=end);
                }
                if self.line.len() >= LONGEST_COMPLAINT {
                    self.tell_rest(program);
                }
                return Pipe::Open;
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                return Pipe::Open;
            }
            Err(_) => self.tell_rest(program),
        }
        Pipe::Closed
    }

    fn tell_rest(&mut self, program: &str) {
        if !self.line.is_empty() {
            tell(program, &self.line);
            self.line.clear();
        }
    }
}

fn tell(program: &str, line: &[u8]) {
    let line = line.trim_ascii_end();
    // The text is a stranger's: signs that would steer a terminal are shown, not sent.
    tracing::warn!("\"{program}\" says: {}", String::from_utf8_lossy(line).escape_debug());
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
            if let Heard::Bytes(count) = child.read(&mut buffer, PATIENCE)? {
                return Ok(buffer[..count].to_vec());
            }
        }
    }

    #[test]
    fn what_it_prints_is_heard_and_how_it_ended_is_told() {
        let mut child = shell("echo 12.5; echo trouble >&2; exit 3");
        assert_eq!(next(&mut child).unwrap(), b"12.5\n");
        let error = next(&mut child).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::UnexpectedEof);
        assert!(error.to_string().contains("exit status: 3"), "{error}");
    }

    #[test]
    fn what_is_written_reaches_its_input() {
        let mut child = Child::start("cat", &[]).unwrap();
        child.write_all(b"READ?\n", PATIENCE).unwrap();
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
    fn one_that_is_not_there_is_told_by_name() {
        let error = Child::start("no-such-meter-tool", &[]).err().unwrap();
        assert_eq!(error.kind(), io::ErrorKind::NotFound);
        assert!(error.to_string().contains("no-such-meter-tool"), "{error}");
    }

    #[test]
    fn a_long_complaint_does_not_fill_the_memory() {
        let mut child = shell("head -c 300000 /dev/zero >&2; echo done");
        assert_eq!(next(&mut child).unwrap(), b"done\n");
        assert!(child.complaints.as_ref().is_none_or(|complaints| complaints.line.len() < 2 * LONGEST_COMPLAINT));
    }
}
