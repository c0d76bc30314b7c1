//! A serial device.

use std::{
    io::{self, Read, Write},
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
    time::Duration,
};

use serialport::{ClearBuffer, SerialPort, TTYPort};

use super::{
    DataBits, Flow, LONGEST_READ_WAIT, Level, Parity, Port, ReadOutcome, Settings, StopBits,
    connection::read_outcome,
    holder::holder,
    ioctl::{ControlLine, LineChange, borrowed, set_control_line},
    wait::{Deadline, never_block, too_slow},
};

pub(super) struct Serial {
    line: TTYPort,
    path: PathBuf,
    /// Device number behind the path when it was opened: another one means another device.
    device: u64,
}

impl Serial {
    pub(super) fn open(path: &Path, settings: &Settings) -> io::Result<Self> {
        // serialport reports a node that is missing as an unknown device; the system's own error is clearer.
        let device = std::fs::metadata(path)?.rdev();
        let builder = serialport::new(path.to_string_lossy(), settings.baud)
            .data_bits(match settings.data_bits {
                DataBits::Five => serialport::DataBits::Five,
                DataBits::Six => serialport::DataBits::Six,
                DataBits::Seven => serialport::DataBits::Seven,
                DataBits::Eight => serialport::DataBits::Eight,
            })
            .parity(match settings.parity {
                Parity::None => serialport::Parity::None,
                Parity::Even => serialport::Parity::Even,
                Parity::Odd => serialport::Parity::Odd,
            })
            .stop_bits(match settings.stop_bits {
                StopBits::One => serialport::StopBits::One,
                StopBits::Two => serialport::StopBits::Two,
            })
            .flow_control(match settings.flow {
                Flow::None => serialport::FlowControl::None,
                Flow::Lines => serialport::FlowControl::Hardware,
                Flow::Characters => serialport::FlowControl::Software,
            });
        let line = TTYPort::open(&builder).map_err(|error| not_opened(error, path))?;
        // It waits by itself for the line to be ready, but a write that does not fit would still block.
        never_block(&borrowed(&line))?;
        hold(&line, path, ControlLine::DataTerminalReady, settings.dtr)?;
        hold(&line, path, ControlLine::RequestToSend, settings.rts)?;
        Ok(Self { line, path: path.to_owned(), device })
    }

    /// The node may be gone, or another device behind its name.
    fn still_there(&self) -> io::Result<()> {
        if std::fs::metadata(&self.path)?.rdev() == self.device {
            Ok(())
        } else {
            Err(io::Error::new(io::ErrorKind::NotFound, "another device has taken its place"))
        }
    }
}

/// A pseudo-terminal has no control lines; whatever is behind it does without.
fn hold(line: &TTYPort, path: &Path, pin: ControlLine, level: Option<Level>) -> io::Result<()> {
    if let Some(level) = level
        && set_control_line(line, pin, level)? == LineChange::NoSuchLine
    {
        tracing::debug!("{} has no control lines; {pin:?} stays as it is", path.display());
    }
    Ok(())
}

impl Drop for Serial {
    fn drop(&mut self) {
        // Closing waits, up to half a minute, for what a line does not take. A device that is gone has
        // nothing to clear.
        drop(self.line.clear(ClearBuffer::Output));
    }
}

impl Port for Serial {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        self.line.set_timeout(patience.min(LONGEST_READ_WAIT))?;
        let outcome = read_outcome(self.line.read(buffer)).map_err(unplugged)?;
        // A silent line may be a cable that is gone: then its device node is gone too.
        if outcome == ReadOutcome::Silence {
            self.still_there()?;
        }
        Ok(outcome)
    }

    fn write_all(&mut self, mut bytes: &[u8], patience: Duration) -> io::Result<()> {
        let patience = Deadline::new(patience);
        while !bytes.is_empty() {
            self.line.set_timeout(patience.remaining().ok_or_else(|| too_slow(bytes.len()))?)?;
            match self.line.write(bytes) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(written) => bytes = &bytes[written..],
                Err(error) if waits(error.kind()) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

/// serialport has one kind of error for a device that another program holds and for one that is not there.
fn not_opened(error: serialport::Error, path: &Path) -> io::Error {
    if !error.description.contains("exclusive lock") {
        return error.into();
    }
    match holder(path) {
        Some(holder) => io::Error::new(
            io::ErrorKind::ResourceBusy,
            format!("{holder} has it open; end that program, or name another port"),
        ),
        None => io::Error::from_raw_os_error(nix::libc::EBUSY),
    }
}

/// serialport reports a cable that was pulled as a broken pipe.
fn unplugged(error: io::Error) -> io::Error {
    match error.kind() {
        io::ErrorKind::BrokenPipe => io::Error::from_raw_os_error(nix::libc::ENXIO),
        _ => error,
    }
}

fn waits(kind: io::ErrorKind) -> bool {
    matches!(kind, io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

#[cfg(test)]
mod tests {
    use std::{fs::File, os::fd::OwnedFd};

    use nix::{pty::openpty, unistd::ttyname};

    use super::*;

    struct Pty {
        master: File,
        /// Kept open so that the name stays.
        _slave: OwnedFd,
        path: PathBuf,
    }

    fn pty() -> Pty {
        let pair = openpty(None, None).unwrap();
        let path = ttyname(&pair.slave).unwrap();
        Pty { master: File::from(pair.master), _slave: pair.slave, path }
    }

    #[test]
    fn bytes_go_both_ways_untouched() {
        let mut pty = pty();
        let mut port = Serial::open(&pty.path, &Settings::default()).unwrap();
        let mut buffer = [0; 64];
        assert_eq!(port.read(&mut buffer, Duration::ZERO).unwrap(), ReadOutcome::Silence);
        pty.master.write_all(b"\r\n\x03\x11\x13\xff").unwrap();
        assert_eq!(port.read(&mut buffer, LONGEST_READ_WAIT).unwrap(), ReadOutcome::Bytes(6));
        assert_eq!(&buffer[..6], b"\r\n\x03\x11\x13\xff");
        port.write_all(b"*IDN?\n", LONGEST_READ_WAIT).unwrap();
        let mut asked = [0; 6];
        pty.master.read_exact(&mut asked).unwrap();
        assert_eq!(&asked, b"*IDN?\n");
    }

    #[test]
    fn control_lines_that_a_pseudo_terminal_lacks_are_no_failure() {
        let pty = pty();
        let settings = Settings { dtr: Some(Level::On), rts: Some(Level::Off), ..Settings::default() };
        let port = Serial::open(&pty.path, &settings).unwrap();
        assert_eq!(
            set_control_line(&port.line, ControlLine::RequestToSend, Level::On).unwrap(),
            LineChange::NoSuchLine
        );
    }

    #[test]
    fn a_line_that_takes_nothing_is_not_waited_for_longer_than_told() {
        let pty = pty();
        let mut port = Serial::open(&pty.path, &Settings::default()).unwrap();
        let error = port.write_all(&[0; 1 << 20], Duration::from_millis(1)).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }

    #[test]
    fn a_node_that_is_missing_is_reported_as_not_found() {
        let error = Serial::open(Path::new("/dev/no-such-meter"), &Settings::default()).err().unwrap();
        assert_eq!(error.kind(), io::ErrorKind::NotFound);
    }

    #[test]
    fn a_second_program_is_refused() {
        let pty = pty();
        let _first = Serial::open(&pty.path, &Settings::default()).unwrap();
        let error = Serial::open(&pty.path, &Settings::default()).err().unwrap();
        let words = crate::io_reason::IoReason(&error).to_string();
        assert!(words.contains("has it open") && !words.contains("lock"), "{words}");
    }
}
