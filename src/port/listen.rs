//! Listening to a port for a moment, and asking where that is wanted, to find out what it speaks.

use std::{io, time::Duration};

use super::{Address, Heard, PATIENCE, Port, Settings, open};
use crate::clock::{Clock, Mono};

/// A conversation that asks: what to send now, and how long to wait then.
pub(crate) trait Asker {
    /// Sends what is due; answers how long to wait for an answer at most.
    ///
    /// # Errors
    /// Those of the port.
    fn ask(&mut self, port: &mut dyn Port, now: Mono) -> io::Result<Duration>;

    /// Bytes came.
    fn heard(&mut self, at: Mono, bytes: &[u8]);
}

/// Opens a port and hands what comes to `asker` for so long.
///
/// # Errors
/// The port can't be opened, or went away.
pub(crate) fn listen(
    address: &Address,
    settings: &Settings,
    length: Duration,
    asker: &mut dyn Asker,
) -> io::Result<()> {
    let mut port = open(address, settings)?;
    let clock = Clock::start();
    let end = Mono(0).plus(length);
    let mut buffer = vec![0; 4096];
    loop {
        let now = clock.mono();
        if now >= end {
            return Ok(());
        }
        let left = Duration::from_micros(end.since(now).unsigned_abs());
        let patience = asker.ask(&mut *port, now)?.min(left).min(PATIENCE);
        match port.read(&mut buffer, patience)? {
            Heard::Bytes(count) => asker.heard(clock.mono(), &buffer[..count]),
            Heard::Recorded(count, after) => asker.heard(Mono(0).plus(after), &buffer[..count]),
            Heard::Silence => {}
            Heard::Ended => return Ok(()),
        }
    }
}
