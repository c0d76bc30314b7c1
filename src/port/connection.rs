//! What an open port can do, whatever is behind it.

use std::{io, time::Duration};

/// The longest that a read waits: it bounds how soon a reader notices that it should stop.
pub(crate) const LONGEST_READ_WAIT: Duration = Duration::from_millis(250);

/// The outcome of one read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ReadOutcome {
    /// A number of bytes, received just now.
    Bytes(usize),
    /// A number of bytes of a capture, and how long after its first bytes they were recorded.
    Recorded(usize, Duration),
    /// Nothing for now.
    Silence,
    /// It is over and nothing will ever come: the end of a capture.
    Ended,
}

/// An open port. An error means that it is gone and must be opened again.
pub(crate) trait Port: Send {
    /// Waits for bytes, at most for `patience` and never longer than [`LONGEST_READ_WAIT`].
    ///
    /// # Errors
    /// The port went away: the cable was pulled, the peer hung up, the device node vanished.
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome>;

    /// A fault in the bytes received since the last call, for the operator; none where there was none.
    fn take_warning(&mut self) -> Option<String> {
        None
    }

    /// Writes all of the bytes, or fails when the time is over; some may be out by then.
    ///
    /// # Errors
    /// `TimedOut` where the other end does not take them, `Unsupported` where there is none (a
    /// capture, a cable that only listens), otherwise the port went away.
    fn write_all(&mut self, bytes: &[u8], patience: Duration) -> io::Result<()>;
}

/// End of file means that the port went away: a terminal device never ends otherwise.
pub(super) fn read_outcome(read: io::Result<usize>) -> io::Result<ReadOutcome> {
    match read {
        Ok(0) => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the other end closed it")),
        Ok(bytes) => Ok(ReadOutcome::Bytes(bytes)),
        Err(error) => match error.kind() {
            // The system's own time-out is the end of a connection whose other end is silent: the next read would say
            // that it was closed.
            io::ErrorKind::TimedOut if error.raw_os_error().is_some() => Err(error),
            io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted => {
                Ok(ReadOutcome::Silence)
            }
            _ => Err(error),
        },
    }
}

#[cfg(test)]
mod tests {
    use nix::libc;

    use super::*;
    use crate::io_reason::IoReason;

    /// Seen: a TCP peer that vanished was told as closed by the other end.
    #[test]
    fn a_peer_that_vanished_did_not_close_the_connection() {
        for code in [libc::ETIMEDOUT, libc::EHOSTUNREACH] {
            let why = read_outcome(Err(io::Error::from_raw_os_error(code))).unwrap_err();
            let words = IoReason(&why).to_string();
            assert!(!words.contains("closed") && words.contains("check"), "{words}");
        }
        // Nothing for now, as a serial line says it.
        assert_eq!(read_outcome(Err(io::ErrorKind::TimedOut.into())).unwrap(), ReadOutcome::Silence);
    }
}
