//! The operator's alert command: a program run at each announcement, without a shell.

use std::{
    process::{Command, Stdio},
    sync::mpsc::{Receiver, SyncSender, sync_channel},
    thread,
};

use super::DaemonError;
use crate::io_reason::IoReason;

/// Announcements that wait while the program runs. When it is full, further ones are dropped and logged.
const WAITING: usize = 8;

/// Runs the program on a thread of its own, one announcement after the other.
#[derive(Debug)]
pub(super) struct Alert {
    /// None without a program.
    queue: Option<SyncSender<(&'static str, String)>>,
}

impl Alert {
    /// `words` are the program and its first arguments; empty for none.
    pub(super) fn start(words: Vec<String>) -> Result<Self, DaemonError> {
        if words.is_empty() {
            return Ok(Self { queue: None });
        }
        let (queue, announcements) = sync_channel(WAITING);
        thread::Builder::new()
            .name("alert".to_owned())
            .spawn(move || run(&words, &announcements))
            .map_err(DaemonError::AlertThread)?;
        Ok(Self { queue: Some(queue) })
    }

    /// Announces something; never waits.
    pub(super) fn announce(&self, kind: &'static str, text: &str) {
        if let Some(queue) = &self.queue
            && queue.try_send((kind, text.to_owned())).is_err()
        {
            tracing::warn!("the alert command is too slow, it was not run for: {text}");
        }
    }
}

fn run(words: &[String], announcements: &Receiver<(&'static str, String)>) {
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
