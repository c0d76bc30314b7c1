//! Reads a port for a while, and sends requests where that is wanted, to find out its protocol.

use std::{io, time::Duration};

use super::{Address, LONGEST_READ_WAIT, Port, ReadOutcome, Settings, open};
use crate::clock::{Clock, Mono};

/// What is sent to a port, and what is done with the answers.
pub(crate) trait Conversation {
    /// Sends what is due; returns how long to wait for an answer at most.
    ///
    /// # Errors
    /// Those of the port.
    fn send_due(&mut self, port: &mut dyn Port, now: Mono) -> io::Result<Duration>;

    /// Bytes were received.
    fn received(&mut self, at: Mono, bytes: &[u8]);

    /// At the end of the time: how much more is needed.
    fn wants_more(&mut self) -> Option<Duration> {
        None
    }
}

/// Opens a port and carries on a conversation for this length of time.
///
/// # Errors
/// The port can't be opened, or went away.
pub(crate) fn converse(
    address: &Address,
    settings: &Settings,
    length: Duration,
    conversation: &mut dyn Conversation,
) -> io::Result<()> {
    let mut port = open(address, settings)?;
    let clock = Clock::start();
    let mut end = Mono(0).plus(length);
    let mut buffer = vec![0; 4096];
    loop {
        let now = clock.mono();
        if now >= end {
            match conversation.wants_more() {
                Some(more) => end = now.plus(more),
                None => return Ok(()),
            }
        }
        let left = Duration::from_micros(end.since(now).unsigned_abs());
        let patience = conversation.send_due(&mut *port, now)?.min(left).min(LONGEST_READ_WAIT);
        match port.read(&mut buffer, patience)? {
            ReadOutcome::Bytes(count) => conversation.received(clock.mono(), &buffer[..count]),
            ReadOutcome::Recorded(count, after) => conversation.received(Mono(0).plus(after), &buffer[..count]),
            ReadOutcome::Silence => {}
            ReadOutcome::Ended => return Ok(()),
        }
    }
}
