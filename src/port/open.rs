//! What an open port can do, whatever is behind it.

use std::{io, time::Duration};

use super::{Address, Settings, child::Child, hid::Hid, replay::Replay, serial::Serial, tcp::Tcp};

/// The longest that a read waits: it bounds how soon a reader notices that it should stop.
pub(crate) const PATIENCE: Duration = Duration::from_millis(250);

/// What one read brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Heard {
    /// So many bytes, just now.
    Bytes(usize),
    /// So many bytes out of a capture, which came so long after its first ones.
    Recorded(usize, Duration),
    /// Nothing for now.
    Silence,
    /// It is over and nothing will ever come: the end of a capture.
    Ended,
}

/// An open port. An error means that it is gone and must be opened again.
pub(crate) trait Port: Send {
    /// Waits for bytes, but no longer than told and never longer than [`PATIENCE`].
    ///
    /// # Errors
    /// The port went away: the cable was pulled, the peer hung up, the device node vanished.
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<Heard>;

    /// Something odd about what came since this was asked last, for the operator; none where all is well.
    fn odd(&mut self) -> Option<String> {
        None
    }

    /// Writes all of the bytes, or fails when the time is over; some may be out by then.
    ///
    /// # Errors
    /// `TimedOut` where the other end does not take them, `Unsupported` where there is none (a
    /// capture, a cable that only listens), otherwise the port went away.
    fn write_all(&mut self, bytes: &[u8], patience: Duration) -> io::Result<()>;
}

/// Opens a port.
///
/// # Errors
/// It is not there, not ours to open, held by another program, or does not take the settings.
pub(crate) fn open(address: &Address, settings: &Settings) -> io::Result<Box<dyn Port>> {
    Ok(match address {
        Address::Serial(path) => Box::new(Serial::open(path, settings)?),
        Address::Tcp { host, port } => Box::new(Tcp::open(host, *port)?),
        Address::Exec { program, arguments } => Box::new(Child::start(program, arguments)?),
        Address::File { path, pace } => Box::new(Replay::open(path, *pace)?),
        Address::Hid(path) => Box::new(Hid::open(path, settings)?),
    })
}

/// End of file is a port that went away: a terminal device never ends otherwise.
pub(super) fn heard(read: io::Result<usize>) -> io::Result<Heard> {
    match read {
        Ok(0) => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the other end closed it")),
        Ok(bytes) => Ok(Heard::Bytes(bytes)),
        Err(error) => match error.kind() {
            io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted => Ok(Heard::Silence),
            _ => Err(error),
        },
    }
}
