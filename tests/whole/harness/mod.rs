//! The tools of the tests: a bay with meters in it, the daemon, its database.

mod bay;
mod benches;
mod board;
mod client;
mod daemon;
mod display;
mod kept;
mod meter;
mod peer;

use std::{
    thread,
    time::{Duration, Instant},
};

pub(crate) use bay::{Bay, ProgramOutput, text};
pub(crate) use benches::{HANDHELD, THREE};
pub(crate) use board::Board;
pub(crate) use client::Client;
pub(crate) use daemon::{Daemon, of_meter};
pub(crate) use display::Display;
pub(crate) use kept::Kept;
pub(crate) use meter::Meter;
pub(crate) use peer::Peer;

/// How long a test waits for what should happen. A test that passes never waits so long.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

/// Waits until something is seen. Fails with what was awaited and what was seen instead.
pub(crate) fn until<T, F: std::fmt::Debug>(what: &str, mut look: impl FnMut() -> Result<T, F>) -> T {
    let began = now();
    loop {
        match look() {
            Ok(seen) => return seen,
            Err(instead) if began.elapsed() > PATIENCE => panic!("{what} was awaited in vain: {instead:?}"),
            // A pause, so that looking does not slow the program down.
            Err(_) => thread::sleep(Duration::from_millis(5)),
        }
    }
}

#[allow(clippy::disallowed_methods, reason = "a deadline and the bound on stopping are real time")]
pub(crate) fn now() -> Instant {
    Instant::now()
}
