//! The loop ends: what came is taken in, the session is closed, and what it wrote is on disk, each within a deadline.

use std::time::Duration;

use tokio::{sync::oneshot, time::timeout};

use super::{EventLoop, LoopInputs};
use crate::{
    session::{Command, SessionExit},
    store::{StoreError, WriterReport},
};

/// How long the port threads may take to end; one read waits for at most a quarter of a second.
const PORTS_END: Duration = Duration::from_secs(1);

/// How long the last commit may take. What is not on disk then is reported, and the program ends.
const STORE_END: Duration = Duration::from_secs(5);

/// How long the end of a session waits for its last findings.
pub(super) const FINDINGS_END: Duration = Duration::from_secs(20);

impl EventLoop {
    /// Handles the remaining port events, ends the session and commits, within a deadline.
    pub(in crate::daemon) async fn finish(mut self, mut inputs: LoopInputs) -> Result<(), StoreError> {
        let drained = timeout(PORTS_END, async {
            while let Some(event) = inputs.ports.recv().await {
                self.port(event);
            }
        });
        if drained.await.is_err() {
            tracing::warn!("a port's reader did not end in time; what it held is lost");
        }
        drop(inputs.ports);
        let at = self.clock.mono();
        self.core.wind_up(at, SessionExit::Stopped, &mut self.effects);
        self.apply_effects();
        let awaited = timeout(FINDINGS_END, async {
            while self.core.is_ending()
                && let Some(event) = inputs.findings.recv().await
            {
                self.core.handle(at, event, &mut self.effects);
            }
        });
        drop(awaited.await);
        self.end_without_findings();
        // Who asked for the end is answered; nothing begins any more.
        self.held.retain(|(command, _)| matches!(command, Command::End));
        self.carry_out_held(at);
        let (store, unwritten) = (self.store, self.store_unwritten);
        // A thread that nobody waits for: one that hangs on the disk must not hold up the end.
        let (ended, end) = oneshot::channel();
        let stopper =
            std::thread::Builder::new().name("store end".to_owned()).spawn(move || drop(ended.send(store.stop())));
        stopper.map_err(StoreError::Thread)?;
        let committed = timeout(STORE_END, async {
            // The writer sends reports while it commits, and would wait if nobody received them.
            while let Some(report) = inputs.reports.recv().await {
                if let WriterReport::Synced(ticket) = report
                    && let Some((to, answer)) = self.waiting.remove(&ticket)
                {
                    // A disconnected client needs no answer.
                    drop(to.send(answer));
                }
            }
            end.await.unwrap_or(Err(StoreError::WriterGone))
        });
        committed.await.unwrap_or_else(|_| {
            Err(StoreError::NotWritten {
                why: format!("the disk did not answer for {} s; check its cable and its power", STORE_END.as_secs()),
                unwritten: unwritten.now().to_string(),
            })
        })
    }

    /// Closes a session whose last findings did not come in time.
    pub(super) fn end_without_findings(&mut self) {
        let why = format!("the last findings were not ready within {} s", FINDINGS_END.as_secs());
        self.core.close_without_findings(&why, &mut self.effects);
        self.apply_effects();
    }
}
