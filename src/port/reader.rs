//! The thread of one port: open, read, lose, find again.

use std::{
    io,
    sync::{Arc, Condvar, Mutex, PoisonError},
    time::Duration,
};

use super::{Address, Heard, Settings, open};

/// First wait before a lost port is tried again; it doubles up to [`LONGEST_WAIT`].
const FIRST_WAIT: Duration = Duration::from_millis(50);

/// Nobody should wait longer than this for a meter that was plugged in again.
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// One read takes at most this much: at 3 Mbaud some 200 ms of bytes.
const BUFFER: usize = 64 * 1024;

/// Who is told what a port does. A `false` from any of them ends the reader.
pub trait Listener {
    /// The port is open.
    fn opened(&mut self) -> bool;
    /// Bytes came.
    fn heard(&mut self, bytes: &[u8]) -> bool;
    /// The port could not be opened (told once until it could), or went away.
    fn lost(&mut self, why: &io::Error) -> bool;
}

/// Tells reader threads to stop, and wakes those that wait.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<(Mutex<bool>, Condvar)>);

impl Stop {
    /// From now on everyone stops.
    pub fn stop(&self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.0.1.notify_all();
    }

    /// Whether to stop.
    pub fn stopped(&self) -> bool {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits, but not when it is time to stop.
    fn wait(&self, duration: Duration) {
        let guard = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        // Either outcome is fine: the caller looks at `stopped` next.
        drop(self.0.1.wait_timeout_while(guard, duration, |stopped| !*stopped));
    }
}

/// Reads a port until told to stop, through any number of losses.
pub fn read_until_stopped(address: &Address, settings: &Settings, stop: &Stop, listener: &mut impl Listener) {
    let mut buffer = vec![0; BUFFER];
    let mut wait = FIRST_WAIT;
    let mut told = false;
    while !stop.stopped() {
        match open(address, settings) {
            Ok(mut port) => {
                (wait, told) = (FIRST_WAIT, true);
                if !listener.opened() {
                    return;
                }
                let why = loop {
                    if stop.stopped() {
                        return;
                    }
                    match port.read(&mut buffer) {
                        Ok(Heard::Bytes(count)) if !listener.heard(&buffer[..count]) => return,
                        Ok(_) => {}
                        Err(why) => break why,
                    }
                };
                if !listener.lost(&why) {
                    return;
                }
            }
            Err(why) => {
                if !told && !listener.lost(&why) {
                    return;
                }
                told = true;
            }
        }
        stop.wait(wait);
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}
