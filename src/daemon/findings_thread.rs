//! Works out findings on a thread of its own, so that no reading waits for them.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
};

use tokio::sync::mpsc;

use crate::session::{CoreEvent, findings::FindingsTask};

/// Starts the work; new work takes the place of old work, which is given up.
#[derive(Debug)]
pub(super) struct FindingsThread {
    done: mpsc::Sender<CoreEvent>,
    /// Of the work that runs now.
    is_wanted: Arc<AtomicBool>,
}

/// Findings that wait for the loop: old work ends before new work is done, so there is hardly ever one.
const QUEUE: usize = 4;

impl FindingsThread {
    /// With the queue on which findings come back.
    pub(super) fn new() -> (Self, mpsc::Receiver<CoreEvent>) {
        let (done, findings) = mpsc::channel(QUEUE);
        (Self { done, is_wanted: Arc::default() }, findings)
    }

    /// Begins this work and gives up what was begun before. Where no thread can be had, the core works it out as the
    /// session ends.
    pub(super) fn begin(&mut self, task: FindingsTask) {
        self.is_wanted.store(false, Ordering::Relaxed);
        let is_wanted = Arc::new(AtomicBool::new(true));
        self.is_wanted = is_wanted.clone();
        let done = self.done.clone();
        let work = move || {
            if let Some(findings) = task.work_out(&|| is_wanted.load(Ordering::Relaxed)) {
                let event = CoreEvent::Findings { session: task.session, captures: task.captures, findings };
                // The loop may have ended.
                drop(done.blocking_send(event));
            }
        };
        if let Err(error) = thread::Builder::new().name("findings".to_owned()).spawn(work) {
            tracing::warn!("findings have to wait for the session's end: {error}");
        }
    }
}

impl Drop for FindingsThread {
    fn drop(&mut self) {
        self.is_wanted.store(false, Ordering::Relaxed);
    }
}
