//! The operator's alert command: a program run at each announcement, without a shell.

use std::{
    cell::RefCell,
    io,
    process::{Command, Stdio},
    sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel},
    thread,
};

use super::DaemonError;
use crate::io_reason::IoReason;

/// Announcements that wait while the program runs. When it is full, further ones are dropped and logged.
const WAITING: usize = 8;

/// Runs the program on a thread of its own, one announcement after the other.
#[derive(Debug)]
pub(super) struct Alert {
    /// The program and its first arguments; empty for none.
    words: Vec<String>,
    /// None without a program.
    queue: RefCell<Option<SyncSender<Announcement>>>,
}

type Announcement = (&'static str, String);

impl Alert {
    /// `words` are the program and its first arguments; empty for none.
    pub(super) fn start(words: Vec<String>) -> Result<Self, DaemonError> {
        let queue = if words.is_empty() { None } else { Some(start_thread(&words).map_err(DaemonError::AlertThread)?) };
        Ok(Self { words, queue: RefCell::new(queue) })
    }

    /// Announces something; never waits.
    pub(super) fn announce(&self, kind: &'static str, text: &str) {
        let mut queue = self.queue.borrow_mut();
        match queue.as_ref().map(|queue| queue.try_send((kind, text.to_owned()))) {
            None | Some(Ok(())) => {}
            Some(Err(TrySendError::Full(_))) => {
                tracing::warn!("the alert command is too slow, it was not run for: {text}");
            }
            // Its thread has failed: another one takes its place.
            Some(Err(TrySendError::Disconnected(announcement))) => match start_thread(&self.words) {
                Ok(again) => {
                    tracing::error!("what runs the alert command failed unexpectedly; it is started again");
                    _ = again.try_send(announcement);
                    *queue = Some(again);
                }
                Err(error) => {
                    tracing::error!(
                        "the alert command can't be run any more: {}; not run for: {text}",
                        IoReason(&error)
                    );
                }
            },
        }
    }
}

fn start_thread(words: &[String]) -> io::Result<SyncSender<Announcement>> {
    let (queue, announcements) = sync_channel(WAITING);
    let words = words.to_vec();
    thread::Builder::new().name("alert".to_owned()).spawn(move || run(&words, &announcements))?;
    Ok(queue)
}

fn run(words: &[String], announcements: &Receiver<Announcement>) {
    let Some((program, arguments)) = words.split_first() else { return };
    while let Ok((kind, text)) = announcements.recv() {
        let ran = Command::new(program)
            .args(arguments)
            .args([kind, &text])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .status();
        match ran {
            Ok(status) if status.success() => {}
            Ok(status) => tracing::warn!("the alert command \"{program}\" ended with {status}"),
            Err(error) => tracing::warn!("the alert command \"{program}\" could not be run: {}", IoReason(&error)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_has_failed_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let made = folder.path().join("made");
        let alert =
            Alert::start(["sh", "-c", "touch \"$0\"", made.to_str().unwrap()].map(str::to_owned).to_vec()).unwrap();
        // As if its thread had panicked: its end of the queue is gone.
        *alert.queue.borrow_mut() = Some(sync_channel(WAITING).0);
        alert.announce("say", "hold the lead");
        alert.queue.borrow_mut().take();
        let mut looks = 0;
        while !made.exists() {
            looks += 1;
            assert!(looks < 3000, "the alert command was not run");
            thread::sleep(std::time::Duration::from_millis(10));
        }
    }
}
