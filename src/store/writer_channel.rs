//! What the daemon and the writer's thread tell each other: messages and reports, and the state that both see.

use std::{
    path::PathBuf,
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicBool, AtomicI64, AtomicUsize},
    },
};

use super::{WriteFault, unwritten::Unwritten};
use crate::session::Record;

/// Identifies a request to report when everything before it is on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ticket(pub u64);

/// What the writer reports to the daemon.
#[derive(Debug, Clone, PartialEq)]
pub enum WriterReport {
    /// Everything before the ticket is on disk.
    Synced(Ticket),
    /// The database cannot be written, and why; the write is tried again.
    Failing(WriteFault),
    /// The database can be written again.
    Recovered,
    /// Recording goes on in a new file.
    Moved(MovedDatabase),
    /// There is room in the queue again; sent once for each request.
    Room,
}

/// Recording goes on in a new file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MovedDatabase {
    /// The file before.
    pub from: PathBuf,
    /// The new one.
    pub to: PathBuf,
    /// What happened to the file before.
    pub why: String,
    /// Samples of the session that could not be read any more.
    pub missing_samples: i64,
    /// Other records of the session that the new file did not take.
    pub missing_records: u64,
}

pub(super) enum WriterMessage {
    /// What belongs together, such as a sample and the capture that was made of it: it is committed together.
    Records(Vec<Record>),
    Sync(Ticket),
}

impl std::fmt::Debug for WriterMessage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Records(records) => records.fmt(f),
            Self::Sync(ticket) => ticket.fmt(f),
        }
    }
}

impl WriterMessage {
    pub(super) fn samples(&self) -> usize {
        self.records().iter().map(samples_in).sum()
    }

    pub(super) fn unwritten(&self) -> Unwritten {
        let mut all = Unwritten::default();
        self.records().iter().for_each(|record| all.add(Unwritten::of(record)));
        all
    }

    pub(super) fn records(&self) -> &[Record] {
        match self {
            Self::Records(records) => records,
            Self::Sync(_) => &[],
        }
    }

    pub(super) fn events(&self) -> usize {
        self.records().iter().filter(|record| is_event(record)).count()
    }
}

/// What both threads see.
#[derive(Debug)]
pub(super) struct WriterState {
    pub stopping: AtomicBool,
    pub failing: AtomicBool,
    pub wants_room: AtomicBool,
    /// Messages in the queue.
    pub queued: AtomicUsize,
    /// Since when the writer has been busy with the disk, µs; negative while it waits for work.
    pub busy_since: AtomicI64,
    /// What is not on disk yet.
    pub unwritten: Mutex<Unwritten>,
}

impl Default for WriterState {
    fn default() -> Self {
        Self {
            stopping: AtomicBool::default(),
            failing: AtomicBool::default(),
            wants_room: AtomicBool::default(),
            queued: AtomicUsize::default(),
            busy_since: AtomicI64::new(IDLE),
            unwritten: Mutex::default(),
        }
    }
}

/// The writer waits for work.
pub(super) const IDLE: i64 = -1;

impl WriterState {
    pub(super) fn count(&self, change: impl FnOnce(&mut Unwritten)) {
        change(&mut self.unwritten.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

/// What nobody asked for and what may be dropped: not the operator's words.
pub(super) fn is_event(record: &Record) -> bool {
    use crate::session::EventKind::{Mark, Note};
    matches!(record, Record::Event(_, kind, ..) if !matches!(kind, Note | Mark))
}

pub(super) fn samples_in(record: &Record) -> usize {
    match record {
        Record::Samples(samples, _) => samples.len(),
        _ => 0,
    }
}
