//! Ctrl-C, SIGTERM and a closed terminal, for commands that run until they are stopped; and the end of the standard input, for a
//! daemon that another program has started as a part of itself.

use std::io;

use tokio::{
    signal::unix::{Signal, SignalKind, signal},
    sync::oneshot,
};

use crate::port::Stop;

/// Sets `stop` when a shutdown signal arrives. A thread of its own waits for it and ends with the program.
pub(super) fn stop_on_signal(stop: Stop) -> io::Result<()> {
    std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let Ok(mut signals) = ShutdownSignals::new() else { return };
            signals.received().await;
            stop.stop();
        });
    })?;
    Ok(())
}

/// The signals that ask the program to stop.
pub(super) struct ShutdownSignals {
    terminate: Signal,
    interrupt: Signal,
    /// The terminal was closed; none where the program was started to ignore that.
    hang_up: Option<Signal>,
    /// The standard input was closed; none where that does not matter.
    input: Option<oneshot::Receiver<()>>,
}

impl ShutdownSignals {
    /// From now on these signals no longer end the program by themselves.
    pub(super) fn new() -> io::Result<Self> {
        let hang_up = if is_hang_up_ignored() { None } else { Some(signal(SignalKind::hangup())?) };
        let (terminate, interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
        Ok(Self { terminate, interrupt, hang_up, input: None })
    }

    /// From now on the end of the standard input counts too: a pipe ends with the program that holds its other end, however that
    /// ended. What comes in is thrown away. A thread of its own waits for it and ends with the program.
    pub(super) fn with_input(mut self) -> io::Result<Self> {
        let (closed, input) = oneshot::channel();
        std::thread::Builder::new().name("standard input".to_owned()).spawn(move || {
            // An input that can't be read has ended too.
            drop(io::copy(&mut io::stdin().lock(), &mut io::sink()));
            let _ = closed.send(());
        })?;
        self.input = Some(input);
        Ok(self)
    }

    /// Waits for the first of them.
    pub(super) async fn received(&mut self) {
        let hang_up = async {
            match &mut self.hang_up {
                Some(signal) => signal.recv().await,
                None => std::future::pending().await,
            }
        };
        let input = async {
            match &mut self.input {
                Some(closed) => drop(closed.await),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
            _ = hang_up => {}
            () = input => {}
        }
    }
}

/// Whether the program was started with SIGHUP ignored, as `nohup` does, so that it outlives its terminal.
fn is_hang_up_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // Bit 0 is signal 1, SIGHUP: proc(5).
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).is_some_and(|mask| mask & 1 == 1)
}
