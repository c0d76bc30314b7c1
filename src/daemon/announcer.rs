//! Programs that are run at announcements, one after the other: the operator's alert command, and a speech program.
//!
//! Never two at once. An announcement ends what it cuts (`AnnouncementKind::cuts`) of those that wait, and where the program allows
//! it, the one that is being said.

use std::{
    collections::VecDeque,
    process::Stdio,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use tokio::{
    process::{Child, Command},
    sync::Notify,
    task::JoinHandle,
};

use crate::{
    io_reason::IoReason,
    session::{Announcement, AnnouncementKind},
    words::EnumWord,
};

/// Announcements that wait while the program runs. When it is full, further ones are dropped and logged.
const WAITING: usize = 8;

/// The variable of the environment that holds an announcement's kind.
const KIND_VARIABLE: &str = "BAYLINE_KIND";

/// What is run at an announcement.
#[derive(Debug, Clone)]
pub(super) struct AnnouncementProgram {
    /// How messages name it.
    pub name: &'static str,
    /// The program and its first arguments; the words of the announcement are the last one.
    pub command: Vec<String>,
    /// Whether an announcement that is being made may be cut off.
    pub ending: ProgramEnding,
}

/// How an announcement that is being made ends early.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum ProgramEnding {
    /// Never: what the program does is not known.
    Never,
    /// The program is ended, and then this command is run; empty for none.
    Killed(Vec<String>),
}

/// Runs a program at each announcement, in a task of its own.
#[derive(Debug)]
pub(super) struct Announcer {
    program: AnnouncementProgram,
    queue: Arc<AnnouncementQueue>,
    task: JoinHandle<()>,
}

#[derive(Debug, Default)]
struct AnnouncementQueue {
    state: Mutex<QueueState>,
    /// Something was added, or what is being said is to be cut.
    changed: Notify,
}

#[derive(Debug, Default)]
struct QueueState {
    waiting: VecDeque<Announcement>,
    /// What is being announced now.
    current: Option<AnnouncementKind>,
    /// It is to be cut.
    cut: bool,
}

impl AnnouncementQueue {
    /// No lock is held across an await, and a queue that was left in the middle is still a queue.
    fn state(&self) -> MutexGuard<'_, QueueState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes it and wakes the task, which must not wake itself.
    fn change(&self, change: impl FnOnce(&mut QueueState)) {
        change(&mut self.state());
        self.changed.notify_one();
    }

    /// The next announcement, which is the current one from now on.
    fn next(&self) -> Option<Announcement> {
        let mut state = self.state();
        state.cut = false;
        let next = state.waiting.pop_front();
        state.current = next.as_ref().map(|next| next.kind);
        next
    }
}

impl Announcer {
    /// Starts the task; within a runtime.
    pub(super) fn start(program: AnnouncementProgram) -> Self {
        let queue = Arc::<AnnouncementQueue>::default();
        let task = tokio::spawn(announce_all(program.clone(), queue.clone()));
        Self { program, queue, task }
    }

    /// Announces something; never waits.
    pub(super) fn announce(&mut self, announcement: Announcement) {
        if self.task.is_finished() {
            tracing::error!("the part that runs the {} failed unexpectedly; it is started again", self.program.name);
            self.task = tokio::spawn(announce_all(self.program.clone(), self.queue.clone()));
        }
        let name = self.program.name;
        self.queue.change(|state| {
            state.end(announcement.kind.cuts());
            let is_busy = state.current.is_some_and(|current| !state.cut || !current.is_momentary());
            if announcement.kind.is_momentary() && (is_busy || !state.waiting.is_empty()) {
                return;
            }
            if state.waiting.len() >= WAITING {
                tracing::warn!("the {name} is too slow, it was not run for: {}", announcement.words);
                return;
            }
            state.waiting.push_back(announcement);
        });
    }

    /// Ends announcements of these kinds: they no longer hold.
    pub(super) fn withdraw(&self, kinds: &[AnnouncementKind]) {
        self.queue.change(|state| state.end(kinds));
    }
}

impl QueueState {
    fn end(&mut self, kinds: &[AnnouncementKind]) {
        self.waiting.retain(|waiting| !kinds.contains(&waiting.kind));
        self.cut |= self.current.is_some_and(|current| kinds.contains(&current));
    }
}

async fn announce_all(program: AnnouncementProgram, queue: Arc<AnnouncementQueue>) {
    loop {
        match queue.next() {
            Some(announcement) => announce_one(&program, &announcement, &queue).await,
            None => queue.changed.notified().await,
        }
    }
}

async fn announce_one(program: &AnnouncementProgram, announcement: &Announcement, queue: &AnnouncementQueue) {
    let kind = announcement.kind.word();
    let Some(mut command) = command(&program.command) else { return };
    let name = program.name;
    let started = command.arg(&announcement.words).env(KIND_VARIABLE, kind).spawn();
    let mut child = match started {
        Ok(child) => child,
        Err(error) => {
            tracing::warn!("the {name} \"{}\" could not be run: {}", program.command[0], IoReason(&error));
            return;
        }
    };
    loop {
        tokio::select! {
            ended = child.wait() => {
                match ended {
                    Ok(status) if status.success() => {}
                    Ok(status) => tracing::warn!("the {name} \"{}\" ended with {status}", program.command[0]),
                    Err(error) => tracing::warn!("the {name} \"{}\" is lost: {}", program.command[0], IoReason(&error)),
                }
                return;
            }
            () = queue.changed.notified() => {
                let is_cut = queue.state().cut;
                if let (true, ProgramEnding::Killed(afterwards)) = (is_cut, &program.ending) {
                    return end_early(&mut child, afterwards).await;
                }
            }
        }
    }
}

async fn end_early(child: &mut Child, afterwards: &[String]) {
    // Fails where it has ended already.
    drop(child.kill().await);
    if let Some(mut command) = command(afterwards)
        && let Err(error) = command.status().await
    {
        tracing::debug!("\"{}\" could not be run: {}", afterwards[0], IoReason(&error));
    }
}

/// A command without a shell; none of no words.
fn command(words: &[String]) -> Option<Command> {
    let (program, arguments) = words.split_first()?;
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null());
    Some(command)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn announcement(kind: AnnouncementKind, words: &str) -> Announcement {
        Announcement { kind, words: words.to_owned() }
    }

    fn program(script: &str, made: &std::path::Path, ending: ProgramEnding) -> AnnouncementProgram {
        let command = ["sh", "-c", script, made.to_str().unwrap()].map(str::to_owned).to_vec();
        AnnouncementProgram { name: "test program", command, ending }
    }

    /// Waits until a file holds what is expected.
    async fn holds(path: &std::path::Path, expected: &str) {
        let mut looks = 0;
        loop {
            let text = std::fs::read_to_string(path).unwrap_or_default();
            if text == expected {
                return;
            }
            looks += 1;
            assert!(looks < 3000, "found {text:?}, expected {expected:?}");
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
    }

    #[tokio::test]
    async fn a_task_that_has_failed_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let made = folder.path().join("made");
        let mut announcer =
            Announcer::start(program("echo \"$BAYLINE_KIND|$1\" > \"$0\"", &made, ProgramEnding::Never));
        // As if it had panicked.
        announcer.task.abort();
        while !announcer.task.is_finished() {
            tokio::task::yield_now().await;
        }
        announcer.announce(announcement(AnnouncementKind::Say, "hold the lead"));
        holds(&made, "say|hold the lead\n").await;
    }

    #[tokio::test]
    async fn a_capture_cuts_a_count_and_waits_for_a_warning() {
        let folder = tempfile::tempdir().unwrap();
        let made = folder.path().join("made");
        // A count goes on until it is cut; the rest takes a moment.
        let script = "echo \"begin $1\" >> \"$0\"; [ $BAYLINE_KIND = count ] && exec sleep 600; sleep 0.05; echo \"end $1\" >> \"$0\"";
        let ending = ProgramEnding::Killed(vec!["sh".into(), "-c".into(), format!("echo cut >> {}", made.display())]);
        let mut announcer = Announcer::start(program(script, &made, ending));
        announcer.announce(announcement(AnnouncementKind::Count, "three"));
        holds(&made, "begin three\n").await;
        // One that is not heard in time is not said at all.
        announcer.announce(announcement(AnnouncementKind::Say, "a warning"));
        announcer.announce(announcement(AnnouncementKind::Count, "two"));
        announcer.announce(announcement(AnnouncementKind::Captured, "a value"));
        holds(&made, "begin three\ncut\nbegin a warning\nend a warning\nbegin a value\nend a value\n").await;
    }

    #[tokio::test]
    async fn a_program_that_must_not_be_cut_ends_by_itself_and_what_waits_is_withdrawn() {
        let folder = tempfile::tempdir().unwrap();
        let made = folder.path().join("made");
        let script = "echo \"begin $1\" >> \"$0\"; sleep 0.2; echo \"end $1\" >> \"$0\"";
        let mut announcer = Announcer::start(program(script, &made, ProgramEnding::Never));
        announcer.announce(announcement(AnnouncementKind::Ask, "first"));
        holds(&made, "begin first\n").await;
        announcer.announce(announcement(AnnouncementKind::Ask, "second"));
        announcer.withdraw(&[AnnouncementKind::Ask]);
        announcer.announce(announcement(AnnouncementKind::Step, "third"));
        holds(&made, "begin first\nend first\nbegin third\nend third\n").await;
    }
}
