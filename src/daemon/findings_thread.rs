//! Works out findings on a thread of its own, so that no reading waits for them.

use std::{
    fmt,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
};

use tokio::sync::mpsc;

use crate::session::{
    CoreEvent,
    findings::{Finding, FindingsTask},
};

/// Works out a task for as long as the second argument says that it is wanted.
type Work = dyn Fn(&FindingsTask, &dyn Fn() -> bool) -> Option<Vec<Finding>> + Send + Sync;

/// Starts the work; new work takes the place of old work, which is given up.
pub(super) struct FindingsThread {
    work: Arc<Work>,
    done: mpsc::Sender<CoreEvent>,
    /// Of the work that runs now.
    is_wanted: Arc<AtomicBool>,
}

/// Findings that wait for the loop: old work ends before new work is done, so there is hardly ever one.
const QUEUE: usize = 4;

impl FindingsThread {
    /// With the queue on which findings come back.
    pub(super) fn new() -> (Self, mpsc::Receiver<CoreEvent>) {
        Self::with(Arc::new(|task, go_on| task.work_out(go_on)))
    }

    /// The same with other work, which a test holds up.
    pub(super) fn with(work: Arc<Work>) -> (Self, mpsc::Receiver<CoreEvent>) {
        let (done, findings) = mpsc::channel(QUEUE);
        (Self { work, done, is_wanted: Arc::default() }, findings)
    }

    /// Begins this work and gives up what was begun before. Where it can't be done, the core gets the reason.
    pub(super) fn begin(&mut self, task: FindingsTask) {
        self.is_wanted.store(false, Ordering::Relaxed);
        let is_wanted = Arc::new(AtomicBool::new(true));
        self.is_wanted = is_wanted.clone();
        let (work, done) = (self.work.clone(), self.done.clone());
        let (session, captures) = (task.session, task.captures);
        let failed = move |why: String| CoreEvent::NoFindings { session, captures, why };
        let on_thread = move || {
            // A bug in the search must not leave the end of a session waiting.
            let worked = catch_unwind(AssertUnwindSafe(|| work(&task, &|| is_wanted.load(Ordering::Relaxed))));
            let event = match worked {
                Ok(Some(findings)) => CoreEvent::Findings { session, captures, findings },
                Ok(None) => return,
                Err(panic) => failed(format!("findings could not be worked out ({})", words(&*panic))),
            };
            // The loop may have ended.
            drop(done.blocking_send(event));
        };
        if let Err(error) = thread::Builder::new().name("findings".to_owned()).spawn(on_thread) {
            let event = failed(format!("findings could not be worked out, no thread could be started ({error})"));
            // Where the queue is full, the end of the session waits for its deadline.
            drop(self.done.try_send(event));
        }
    }
}

/// What a panic said.
fn words(panic: &(dyn std::any::Any + Send)) -> &str {
    panic
        .downcast_ref::<&str>()
        .copied()
        .or_else(|| panic.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("an error in the program")
}

impl fmt::Debug for FindingsThread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("FindingsThread").field("is_wanted", &self.is_wanted).finish_non_exhaustive()
    }
}

impl Drop for FindingsThread {
    fn drop(&mut self) {
        self.is_wanted.store(false, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc as std_mpsc;

    use uuid::Uuid;

    use super::*;
    use crate::session::findings::ObservationSet;

    fn task(captures: u64) -> FindingsTask {
        FindingsTask { session: Uuid::nil(), captures, observations: ObservationSet::new([]) }
    }

    #[test]
    fn new_work_takes_the_place_of_old_work() {
        let (began, begun) = std_mpsc::channel();
        let (mut thread, mut done) =
            FindingsThread::with(Arc::new(move |task: &FindingsTask, go_on: &dyn Fn() -> bool| {
                began.send(task.captures).unwrap();
                // A search without an end, as long as it is wanted.
                while task.captures == 1 && go_on() {
                    thread::yield_now();
                }
                go_on().then(Vec::new)
            }));
        // It returns at once: the loop goes on while the search runs.
        thread.begin(task(1));
        assert_eq!(begun.recv().unwrap(), 1);
        thread.begin(task(2));
        let Some(CoreEvent::Findings { captures: 2, .. }) = done.blocking_recv() else { panic!("the new work alone") };
        drop(thread);
        assert!(done.blocking_recv().is_none(), "the old work ended without an answer");
    }

    #[test]
    fn a_panic_is_told() {
        let (mut thread, mut done) = FindingsThread::with(Arc::new(|_, _| panic!("as the test wants")));
        thread.begin(task(3));
        let Some(CoreEvent::NoFindings { captures: 3, why, .. }) = done.blocking_recv() else { panic!("no answer") };
        assert_eq!(why, "findings could not be worked out (as the test wants)");
    }
}
