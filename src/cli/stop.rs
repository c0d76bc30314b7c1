//! Ctrl-C, SIGTERM and a closed terminal, for commands that run until they are stopped.

use std::io;

use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::port::Stop;

/// Tells `stop` when the user has had enough. The signals are watched by a thread of its own, which
/// ends with the program.
pub(super) fn stop_on_signal(stop: Stop) -> io::Result<()> {
    std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let Ok(mut enough) = Enough::new() else { return };
            enough.heard().await;
            stop.stop();
        });
    })?;
    Ok(())
}

/// The signals by which a user says that it is enough.
pub(super) struct Enough {
    terminate: Signal,
    interrupt: Signal,
    /// The terminal was closed; none where that is to be ignored.
    hang_up: Option<Signal>,
}

impl Enough {
    /// From now on these signals no longer end the program by themselves.
    pub(super) fn new() -> io::Result<Self> {
        let hang_up = if is_hang_up_ignored() { None } else { Some(signal(SignalKind::hangup())?) };
        Ok(Self { terminate: signal(SignalKind::terminate())?, interrupt: signal(SignalKind::interrupt())?, hang_up })
    }

    /// Waits for any of them.
    pub(super) async fn heard(&mut self) {
        let hang_up = async {
            match &mut self.hang_up {
                Some(signal) => signal.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
            _ = hang_up => {}
        }
    }
}

/// Whoever starts a program to outlive its terminal has the closing ignored, and it stays so. The kernel tells; where
/// it does not, nobody asked for that.
fn is_hang_up_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // Bit 0 is signal 1, SIGHUP: proc(5).
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).is_some_and(|mask| mask & 1 == 1)
}
