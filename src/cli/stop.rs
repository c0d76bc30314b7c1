//! Ctrl-C and SIGTERM for commands that run until they are stopped.

use std::io;

use tokio::signal::unix::{SignalKind, signal};

use crate::port::Stop;

/// Tells `stop` when the user has had enough. The signals are watched by a thread of its own, which
/// ends with the program.
pub(super) fn stop_on_signal(stop: Stop) -> io::Result<()> {
    std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let (Ok(mut terminate), Ok(mut interrupt)) =
                (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
            else {
                return;
            };
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            stop.stop();
        });
    })?;
    Ok(())
}
