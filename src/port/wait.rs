//! Waiting for a descriptor, with a limit on the time.

use std::{
    io::{self, Write},
    os::fd::{AsFd, BorrowedFd},
    time::Duration,
};

use nix::{
    errno::Errno,
    fcntl::{FcntlArg, OFlag, fcntl},
    poll::{PollFd, PollFlags, PollTimeout, poll},
};

use crate::clock::Clock;

/// The end of the time that an operation may take.
#[derive(Debug, Clone, Copy)]
pub(super) struct Deadline {
    since: Clock,
    whole: Duration,
}

impl Deadline {
    pub(super) fn new(whole: Duration) -> Self {
        Self { since: Clock::start(), whole }
    }

    /// The time until then; none when it is over.
    pub(super) fn remaining(&self) -> Option<Duration> {
        let spent = Duration::from_micros(self.since.mono().0.unsigned_abs());
        self.whole.checked_sub(spent).filter(|left| !left.is_zero())
    }
}

/// Reads and writes return at once from now on.
pub(super) fn never_block(descriptor: &impl AsFd) -> io::Result<()> {
    let flags = OFlag::from_bits_truncate(fcntl(descriptor, FcntlArg::F_GETFL)?);
    fcntl(descriptor, FcntlArg::F_SETFL(flags | OFlag::O_NONBLOCK))?;
    Ok(())
}

/// Which of them have something to read, or were closed at the other end.
pub(super) fn readable<const N: usize>(descriptors: [BorrowedFd<'_>; N], patience: Duration) -> io::Result<[bool; N]> {
    let mut polled = descriptors.map(|descriptor| PollFd::new(descriptor, PollFlags::POLLIN));
    match poll(&mut polled, rounded_up(patience)) {
        Ok(_) => Ok(polled.map(|one| one.any().unwrap_or(true))),
        Err(Errno::EINTR) => Ok([false; N]),
        Err(error) => Err(error.into()),
    }
}

/// Writes all of the bytes to a descriptor that never blocks.
pub(super) fn write_all(to: &mut (impl Write + AsFd), mut bytes: &[u8], patience: Duration) -> io::Result<()> {
    let patience = Deadline::new(patience);
    while !bytes.is_empty() {
        match to.write(bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(written) => bytes = &bytes[written..],
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                let left = patience.remaining().ok_or_else(|| too_slow(bytes.len()))?;
                let mut polled = [PollFd::new(to.as_fd(), PollFlags::POLLOUT)];
                match poll(&mut polled, rounded_up(left)) {
                    Ok(_) | Err(Errno::EINTR) => {}
                    Err(error) => return Err(error.into()),
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// The error of a write for which the time ran out.
pub(super) fn too_slow(left: usize) -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, format!("the other end did not take {left} bytes in time"))
}

/// `poll` counts in milliseconds: rounding down would spin.
fn rounded_up(patience: Duration) -> PollTimeout {
    PollTimeout::try_from(patience.as_micros().div_ceil(1000)).unwrap_or(PollTimeout::MAX)
}
