//! The store as the daemon uses it: a queue to the writer thread, and a backlog behind it. Nothing here waits for the disk.

use std::{
    collections::VecDeque,
    path::{Path, PathBuf},
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, AtomicI64, AtomicUsize, Ordering},
        mpsc::{SyncSender, TrySendError, sync_channel},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::{
    StoreError, WriteFault, open_to_read, open_to_write,
    rows::RowWriter,
    series::{databases, next_database},
    unwritten::Unwritten,
    writer::Writer,
};
use crate::{
    clock::{Clock, Mono},
    session::Record,
};

/// Capacity of the queue to the writer. When it is full, the daemon stops reading the ports until there is room;
/// while the database cannot be written or the disk does not answer, it reads on and records wait in the backlog.
const QUEUE: usize = 256;

/// Room is reported at this length of the queue. If every message reported it, the two threads would wake each
/// other for every message.
pub(super) const ROOM_AT: usize = QUEUE / 2;

/// Samples that wait in the backlog while the database cannot be written; further ones are lost and counted.
/// 200,000 are some 15 MB, an hour of four meters at 10 Hz.
const BACKLOG_SAMPLES: usize = 200_000;

/// Events that wait in the backlog likewise. Steps, captures and notes are never dropped: the daemon refuses commands
/// before there are too many.
const BACKLOG_EVENTS: usize = 10_000;

/// A write that takes longer holds up no port: a checkpoint takes some 20 ms, a slow card rarely more than this.
const HELD_UP: Duration = Duration::from_millis(500);

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
    Record(Record),
    Sync(Ticket),
}

impl std::fmt::Debug for WriterMessage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Record(record) => record.fmt(f),
            Self::Sync(ticket) => ticket.fmt(f),
        }
    }
}

impl WriterMessage {
    pub(super) fn samples(&self) -> usize {
        match self {
            Self::Record(Record::Samples(samples, _)) => samples.len(),
            _ => 0,
        }
    }

    pub(super) fn unwritten(&self) -> Unwritten {
        match self {
            Self::Record(record) => Unwritten::of(record),
            Self::Sync(_) => Unwritten::default(),
        }
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

/// The store as the daemon uses it. Only [`Store::stop`] waits for the disk.
#[derive(Debug)]
pub struct Store {
    queue: SyncSender<WriterMessage>,
    backlog: VecDeque<WriterMessage>,
    backlog_samples: usize,
    backlog_events: usize,
    lost: LostRecords,
    state: Arc<WriterState>,
    clock: Clock,
    thread: JoinHandle<Result<(), StoreError>>,
    /// Numbers of sessions that an earlier daemon left open.
    interrupted: Vec<i64>,
    path: PathBuf,
    damaged: Option<String>,
}

/// What was dropped since the last call, since too much waited.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LostRecords {
    /// Samples.
    pub samples: u64,
    /// Events.
    pub events: u64,
}

/// Shows what is not on disk yet, while others own the store.
#[derive(Debug, Clone)]
pub(crate) struct UnwrittenView(Arc<WriterState>);

impl UnwrittenView {
    /// What is not on disk yet.
    pub(crate) fn now(&self) -> Unwritten {
        *self.0.unwritten.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Store {
    /// Opens the database and starts the writer. `report` is called on its thread. Where the file is damaged, a new one
    /// beside it is used.
    pub fn open(path: &Path, report: impl FnMut(WriterReport) + Send + 'static) -> Result<Self, StoreError> {
        let mut path = path.to_owned();
        let (opened, damaged) = match open_with_rows(&path) {
            Err(error @ StoreError::Damaged { .. }) => {
                let next = next_database(&path);
                let before = std::mem::replace(&mut path, next);
                let sentence = format!("{error}; recording goes on in {}", path.display());
                tracing::error!("{sentence}");
                (open_with_rows(&path).map_err(|error| not_damaged(error, &before))?, Some(sentence))
            }
            opened => (opened?, None),
        };
        let (connection, rows, interrupted) = opened;
        let (queue, inbox) = sync_channel(QUEUE);
        let state = Arc::new(WriterState::default());
        let clock = Clock::start();
        let mut writer = Writer::new(connection, path.clone(), rows, state.clone(), clock, Box::new(report));
        let thread = thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || writer.run(&inbox))
            .map_err(StoreError::Thread)?;
        Ok(Self {
            queue,
            backlog: VecDeque::new(),
            backlog_samples: 0,
            backlog_events: 0,
            lost: LostRecords::default(),
            state,
            clock,
            thread,
            interrupted,
            path,
            damaged,
        })
    }

    /// Sessions that an earlier daemon left open and that are closed as interrupted now.
    pub fn interrupted(&self) -> &[i64] {
        &self.interrupted
    }

    /// The file that was opened.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// That the file of an earlier daemon is damaged, and what follows, in one sentence.
    pub(crate) fn damaged(&self) -> Option<&str> {
        self.damaged.as_deref()
    }

    /// Stores a record.
    pub fn keep(&mut self, record: Record) {
        self.send(WriterMessage::Record(record));
    }

    /// Requests a report when everything kept so far is on disk.
    pub fn sync(&mut self, ticket: Ticket) {
        self.send(WriterMessage::Sync(ticket));
    }

    /// Whether the ports may be read further. If not, [`WriterReport::Room`] follows, or it is so after a while: a
    /// disk that does not answer holds up no port.
    pub fn has_room(&mut self) -> bool {
        self.pump();
        if self.backlog.is_empty() || self.state.failing.load(Ordering::Acquire) || self.is_held_up() {
            return true;
        }
        self.state.wants_room.store(true, Ordering::Release);
        // The writer may have emptied the queue before it could see the request.
        self.pump();
        self.backlog.is_empty()
    }

    /// How long the writer has been waiting for the disk; zero while it waits for work.
    pub(crate) fn waiting_for_disk(&self) -> Duration {
        match self.state.busy_since.load(Ordering::Acquire) {
            IDLE => Duration::ZERO,
            since => Duration::from_micros(self.clock.mono().since(Mono(since)).max(0).unsigned_abs()),
        }
    }

    fn is_held_up(&self) -> bool {
        self.waiting_for_disk() >= HELD_UP
    }

    /// A view of what is not on disk yet.
    pub(crate) fn unwritten(&self) -> UnwrittenView {
        UnwrittenView(self.state.clone())
    }

    /// What was lost since the last call.
    pub fn take_lost(&mut self) -> LostRecords {
        std::mem::take(&mut self.lost)
    }

    /// Commits what was kept and ends the writer.
    pub fn stop(mut self) -> Result<(), StoreError> {
        while let Some(message) = self.backlog.pop_front() {
            if self.state.failing.load(Ordering::Acquire) {
                break;
            }
            self.state.queued.fetch_add(1, Ordering::AcqRel);
            if self.queue.send(message).is_err() {
                break;
            }
        }
        self.state.stopping.store(true, Ordering::Release);
        drop(self.queue);
        self.thread.join().unwrap_or(Err(StoreError::WriterGone))
    }

    fn send(&mut self, message: WriterMessage) {
        self.state.count(|unwritten| unwritten.add(message.unwritten()));
        self.pump();
        if self.backlog.is_empty() {
            match self.queue_up(message) {
                Ok(()) => return,
                Err(message) => return self.put_back(message),
            }
        }
        self.put_back(message);
    }

    /// Gives the message back where the queue is full or the writer's thread has panicked: joining it returns the
    /// error.
    fn queue_up(&self, message: WriterMessage) -> Result<(), WriterMessage> {
        // Counted first, so that the writer never sees fewer than there are.
        self.state.queued.fetch_add(1, Ordering::AcqRel);
        self.queue.try_send(message).map_err(|refused| {
            self.state.queued.fetch_sub(1, Ordering::AcqRel);
            match refused {
                TrySendError::Full(message) | TrySendError::Disconnected(message) => message,
            }
        })
    }

    fn put_back(&mut self, message: WriterMessage) {
        let samples = message.samples();
        if self.backlog_samples + samples > BACKLOG_SAMPLES {
            self.lost.samples += samples as u64;
            self.state.count(|unwritten| unwritten.remove(message.unwritten()));
            return;
        }
        let events = usize::from(is_event(&message));
        if self.backlog_events + events > BACKLOG_EVENTS {
            self.lost.events += 1;
            self.state.count(|unwritten| unwritten.remove(message.unwritten()));
            return;
        }
        self.backlog_samples += samples;
        self.backlog_events += events;
        self.backlog.push_back(message);
    }

    fn pump(&mut self) {
        while let Some(message) = self.backlog.pop_front() {
            let (samples, events) = (message.samples(), usize::from(is_event(&message)));
            match self.queue_up(message) {
                Ok(()) => {
                    self.backlog_samples -= samples;
                    self.backlog_events -= events;
                }
                Err(message) => {
                    self.backlog.push_front(message);
                    return;
                }
            }
        }
    }
}

/// What nobody asked for and what may be dropped: not the operator's words.
fn is_event(message: &WriterMessage) -> bool {
    use crate::session::EventKind::{Mark, Note};
    matches!(message, WriterMessage::Record(Record::Event(_, kind, ..)) if !matches!(kind, Note | Mark))
}

type OpenDatabase = (rusqlite::Connection, RowWriter, Vec<i64>);

fn open_with_rows(path: &Path) -> Result<OpenDatabase, StoreError> {
    let (connection, interrupted) = open_to_write(path)?;
    let rows = RowWriter::new(&connection, highest_before(path))
        .map_err(|error| StoreError::of_own(error, &connection, path))?;
    Ok((connection, rows, interrupted))
}

/// The highest number of a session in the older files of the folder, as far as they can be read.
fn highest_before(path: &Path) -> i64 {
    let folder = path.parent().unwrap_or(Path::new("."));
    let highest = databases(folder).into_iter().filter(|other| other != path).filter_map(|other| {
        let connection = open_to_read(&other).ok()?;
        connection.query_row("SELECT MAX(id) FROM session", [], |row| row.get::<_, Option<i64>>(0)).ok()?
    });
    highest.max().unwrap_or(0)
}

/// A new file that can't be used either: its error is about the file before.
fn not_damaged(error: StoreError, before: &Path) -> StoreError {
    match error {
        StoreError::Damaged { why, .. } => StoreError::Damaged { path: before.to_owned(), why },
        other => other,
    }
}
