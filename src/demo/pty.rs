//! One pseudo-terminal that looks like a device's serial port.
//!
//! The master side is the device: it never waits for a reader. The slave side is kept open here as well, so
//! that no byte is lost and no error met while nobody has the port open. Dropping it is pulling the cable:
//! readers get an error or end of file. Knows no instrument.

use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::fcntl::{FcntlArg, FdFlag, OFlag, fcntl};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::{read, ttyname, write};

/// What became of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SendOutcome {
    /// It is on its way.
    Whole,
    /// The port was full: nobody reads, and the device goes on.
    Dropped,
}

/// An open pseudo-terminal.
#[derive(Debug)]
pub(crate) struct PseudoTerminal {
    master: OwnedFd,
    _slave: OwnedFd,
    name: PathBuf,
    /// What of the last line did not fit yet. A device's own line buffer: lines are dropped whole.
    rest: Vec<u8>,
}

impl PseudoTerminal {
    /// Opens one, in raw mode, not inherited by programs that are started.
    ///
    /// # Errors
    /// When the system has no pseudo-terminal left or refuses a setting.
    pub(crate) fn open() -> Result<Self, Errno> {
        let pair = nix::pty::openpty(None, None)?;
        for end in [&pair.master, &pair.slave] {
            fcntl(end, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC))?;
        }
        let mut settings = tcgetattr(&pair.slave)?;
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
        fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_RDWR | OFlag::O_NONBLOCK))?;
        let name = ttyname(pair.slave.as_fd())?;
        Ok(Self { master: pair.master, _slave: pair.slave, name, rest: Vec::new() })
    }

    /// The device node that a reader opens.
    pub(crate) fn name(&self) -> &Path {
        &self.name
    }

    /// Sends a line, with the carriage return and line feed that boards print; never waits.
    pub(crate) fn send(&mut self, line: &str) -> SendOutcome {
        self.discard_input();
        let unsent = std::mem::take(&mut self.rest);
        self.rest = self.push(unsent);
        if !self.rest.is_empty() {
            return SendOutcome::Dropped;
        }
        let bytes = format!("{line}\r\n").into_bytes();
        let length = bytes.len();
        let left = self.push(bytes);
        if left.len() == length {
            return SendOutcome::Dropped;
        }
        self.rest = left;
        SendOutcome::Whole
    }

    /// Writes what fits and gives back what does not.
    fn push(&self, mut bytes: Vec<u8>) -> Vec<u8> {
        while !bytes.is_empty() {
            match write(&self.master, &bytes) {
                Ok(0) => break,
                Ok(count) => drop(bytes.drain(..count)),
                Err(Errno::EINTR) => {}
                // Full, or a fault of the line: a device can't tell and doesn't care.
                Err(_) => break,
            }
        }
        bytes
    }

    /// These devices take no orders; what is sent to them must not fill the line up.
    fn discard_input(&self) {
        let mut bytes = [0; 256];
        while matches!(read(&self.master, &mut bytes), Ok(1..) | Err(Errno::EINTR)) {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{File, OpenOptions};
    use std::io::{BufRead, BufReader, Read, Write};
    use std::os::unix::fs::OpenOptionsExt;

    fn reader(pty: &PseudoTerminal) -> BufReader<File> {
        let mut options = OpenOptions::new();
        options.read(true).write(true).custom_flags(OFlag::O_NOCTTY.bits());
        BufReader::new(options.open(pty.name()).unwrap())
    }

    fn line(from: &mut impl BufRead) -> String {
        let mut line = String::new();
        from.read_line(&mut line).unwrap();
        line
    }

    #[test]
    fn whole_lines_in_order_and_unchanged() {
        let mut pty = PseudoTerminal::open().unwrap();
        let mut reader = reader(&pty);
        for number in 0..500 {
            assert_eq!(pty.send(&format!("{number},0.1604\t~")), SendOutcome::Whole);
            assert_eq!(line(&mut reader), format!("{number},0.1604\t~\r\n"));
        }
    }

    #[test]
    fn lines_wait_for_a_reader_who_comes_late_or_again() {
        let mut pty = PseudoTerminal::open().unwrap();
        pty.send("early");
        let mut first = reader(&pty);
        assert_eq!(line(&mut first), "early\r\n");
        drop(first);
        pty.send("between");
        assert_eq!(line(&mut reader(&pty)), "between\r\n");
    }

    #[test]
    fn nobody_reading_blocks_nothing_and_drops_whole_lines() {
        let mut pty = PseudoTerminal::open().unwrap();
        let sent: Vec<String> = (0..20_000).map(|number| format!("line {number} of many")).collect();
        let kept: Vec<&String> = sent.iter().filter(|text| pty.send(text) == SendOutcome::Whole).collect();
        assert!(kept.len() > 10 && kept.len() < sent.len(), "{}", kept.len());
        let mut reader = reader(&pty);
        for text in &kept[..kept.len() - 1] {
            assert_eq!(line(&mut reader), format!("{text}\r\n"));
        }
        // The tail of the last one that was kept comes with the next line, as soon as there is room.
        assert_eq!(pty.send("after"), SendOutcome::Whole);
        assert_eq!(line(&mut reader), format!("{}\r\n", kept[kept.len() - 1]));
        assert_eq!(line(&mut reader), "after\r\n");
    }

    #[test]
    fn orders_are_swallowed_and_not_echoed() {
        let mut pty = PseudoTerminal::open().unwrap();
        let mut reader = reader(&pty);
        for _ in 0..200 {
            reader.get_mut().write_all(&[b'?'; 100]).unwrap();
            pty.send("reading");
            assert_eq!(line(&mut reader), "reading\r\n");
        }
    }

    #[test]
    fn a_pulled_cable_ends_the_reading() {
        let pty = PseudoTerminal::open().unwrap();
        let mut reader = reader(&pty);
        drop(pty);
        let mut bytes = [0; 16];
        // Linux answers with EIO, others with end of file.
        assert!(!matches!(reader.get_mut().read(&mut bytes), Ok(1..)));
    }
}
