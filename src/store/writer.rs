//! The writer thread: groups records into commits, acknowledges what is on disk, and resumes when a full disk has
//! room again.

use std::{
    collections::VecDeque,
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicUsize, Ordering},
        mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use rusqlite::Connection;

use super::{StoreError, open_to_write, rows::RowWriter};
use crate::{
    clock::{Clock, Mono},
    session::Record,
};

/// Samples younger than this may be lost in a power cut.
const GROUP: Duration = Duration::from_millis(250);

/// A group with this many samples is committed early, which bounds its memory: 20,000 are some 1.5 MB.
const GROUP_SAMPLES: usize = 20_000;

/// Capacity of the queue to the writer. When it is full, the daemon stops reading the ports until there is room;
/// while the database cannot be written, it reads on and records wait in the backlog.
const QUEUE: usize = 256;

/// Room is reported at this length of the queue. If every message reported it, the two threads would wake each
/// other for every message.
const ROOM_AT: usize = QUEUE / 2;

/// Samples that wait in the backlog while the database cannot be written; further ones are lost and counted.
/// 200,000 are some 15 MB, an hour of four meters at 10 Hz.
const BACKLOG_SAMPLES: usize = 200_000;

/// How long until a failed write is tried again.
const RETRY: Duration = Duration::from_millis(500);

/// Identifies a request to report when everything before it is on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ticket(pub u64);

/// What the writer reports to the daemon.
#[derive(Debug, Clone, PartialEq)]
pub enum WriterReport {
    /// Everything before the ticket is on disk.
    Synced(Ticket),
    /// The database cannot be written, and why; the write is tried again.
    Failing(String),
    /// The database can be written again.
    Recovered,
    /// There is room in the queue again; sent once for each request.
    Room,
}

enum WriterMessage {
    Record(Record),
    Sync(Ticket),
}

/// The store as the daemon uses it. Only [`Store::stop`] waits for the disk.
#[derive(Debug)]
pub struct Store {
    queue: SyncSender<WriterMessage>,
    backlog: VecDeque<WriterMessage>,
    backlog_samples: usize,
    lost: u64,
    shared: Arc<WriterFlags>,
    thread: JoinHandle<Result<(), StoreError>>,
    /// Numbers of sessions that an earlier daemon left open.
    interrupted: Vec<i64>,
}

#[derive(Debug, Default)]
struct WriterFlags {
    stopping: AtomicBool,
    failing: AtomicBool,
    wants_room: AtomicBool,
    /// Messages in the queue.
    queued: AtomicUsize,
}

impl std::fmt::Debug for WriterMessage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Record(record) => record.fmt(f),
            Self::Sync(ticket) => ticket.fmt(f),
        }
    }
}

impl Store {
    /// Opens the database and starts the writer. `report` is called on its thread.
    pub fn open(path: &Path, report: impl FnMut(WriterReport) + Send + 'static) -> Result<Self, StoreError> {
        let (connection, interrupted) = open_to_write(path)?;
        let rows = RowWriter::new(&connection)?;
        let (queue, inbox) = sync_channel(QUEUE);
        let shared = Arc::new(WriterFlags::default());
        let mut writer = Writer {
            connection,
            rows: rows.clone(),
            committed: rows,
            group: Vec::new(),
            group_samples: 0,
            shared: shared.clone(),
            clock: Clock::start(),
            report: Box::new(report),
        };
        let thread = thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || writer.run(&inbox))
            .map_err(StoreError::Thread)?;
        Ok(Self { queue, backlog: VecDeque::new(), backlog_samples: 0, lost: 0, shared, thread, interrupted })
    }

    /// Sessions that an earlier daemon left open and that are closed as interrupted now.
    pub fn interrupted(&self) -> &[i64] {
        &self.interrupted
    }

    /// Stores a record.
    pub fn keep(&mut self, record: Record) {
        self.send(WriterMessage::Record(record));
    }

    /// Requests a report when everything kept so far is on disk.
    pub fn sync(&mut self, ticket: Ticket) {
        self.send(WriterMessage::Sync(ticket));
    }

    /// Whether the ports may be read further. If not, [`WriterReport::Room`] follows.
    pub fn has_room(&mut self) -> bool {
        self.pump();
        if self.backlog.is_empty() || self.shared.failing.load(Ordering::Acquire) {
            return true;
        }
        self.shared.wants_room.store(true, Ordering::Release);
        // The writer may have emptied the queue before it could see the request.
        self.pump();
        self.backlog.is_empty()
    }

    /// Samples lost since the last call.
    pub fn take_lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }

    /// Commits what was kept and ends the writer.
    pub fn stop(mut self) -> Result<(), StoreError> {
        while let Some(message) = self.backlog.pop_front() {
            if self.shared.failing.load(Ordering::Acquire) {
                break;
            }
            self.shared.queued.fetch_add(1, Ordering::AcqRel);
            if self.queue.send(message).is_err() {
                break;
            }
        }
        self.shared.stopping.store(true, Ordering::Release);
        drop(self.queue);
        self.thread.join().unwrap_or(Err(StoreError::WriterGone))
    }

    fn send(&mut self, message: WriterMessage) {
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
        self.shared.queued.fetch_add(1, Ordering::AcqRel);
        self.queue.try_send(message).map_err(|refused| {
            self.shared.queued.fetch_sub(1, Ordering::AcqRel);
            match refused {
                TrySendError::Full(message) | TrySendError::Disconnected(message) => message,
            }
        })
    }

    fn put_back(&mut self, message: WriterMessage) {
        if let WriterMessage::Record(Record::Samples(samples, _)) = &message {
            if self.backlog_samples + samples.len() > BACKLOG_SAMPLES {
                self.lost += samples.len() as u64;
                return;
            }
            self.backlog_samples += samples.len();
        }
        self.backlog.push_back(message);
    }

    fn pump(&mut self) {
        while let Some(message) = self.backlog.pop_front() {
            let samples = samples_in(&message);
            match self.queue_up(message) {
                Ok(()) => self.backlog_samples -= samples,
                Err(message) => {
                    self.backlog.push_front(message);
                    return;
                }
            }
        }
    }
}

fn samples_in(message: &WriterMessage) -> usize {
    match message {
        WriterMessage::Record(Record::Samples(samples, _)) => samples.len(),
        _ => 0,
    }
}

struct Writer {
    connection: Connection,
    /// As the open transaction leaves it.
    rows: RowWriter,
    /// As the last commit left it.
    committed: RowWriter,
    /// What the open transaction holds, to be written again when it fails.
    group: Vec<WriterMessage>,
    group_samples: usize,
    shared: Arc<WriterFlags>,
    clock: Clock,
    report: Box<dyn FnMut(WriterReport) + Send>,
}

impl Writer {
    fn run(&mut self, inbox: &Receiver<WriterMessage>) -> Result<(), StoreError> {
        let mut due: Option<Mono> = None;
        loop {
            let wait = due.map_or(Duration::from_secs(3600), |due| {
                Duration::from_micros(due.since(self.clock.mono()).max(0) as u64)
            });
            let received = if wait.is_zero() { Err(RecvTimeoutError::Timeout) } else { inbox.recv_timeout(wait) };
            match received {
                Ok(message) => {
                    let left = self.shared.queued.fetch_sub(1, Ordering::AcqRel) - 1;
                    if left <= ROOM_AT && self.shared.wants_room.swap(false, Ordering::AcqRel) {
                        (self.report)(WriterReport::Room);
                    }
                    due = due.or_else(|| Some(self.clock.mono().plus(GROUP)));
                    let urgent = matches!(message, WriterMessage::Sync(_));
                    self.write(message)?;
                    if urgent || self.group_samples >= GROUP_SAMPLES {
                        self.commit()?;
                        due = None;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {
                    self.commit()?;
                    due = None;
                }
                Err(RecvTimeoutError::Disconnected) => return self.commit(),
            }
        }
    }

    fn write(&mut self, message: WriterMessage) -> Result<(), StoreError> {
        let first = self.group.is_empty();
        self.group_samples += samples_in(&message);
        self.group.push(message);
        let written = match (first, self.group.last()) {
            (true, _) => self.connection.execute_batch("BEGIN IMMEDIATE").and_then(|()| self.apply_from(0)),
            (false, _) => self.apply_from(self.group.len() - 1),
        };
        written.or_else(|error| self.until_it_works(&error))
    }

    fn apply_from(&mut self, first: usize) -> rusqlite::Result<()> {
        for message in &self.group[first..] {
            if let WriterMessage::Record(record) = message {
                self.rows.apply(&self.connection, record)?;
            }
        }
        Ok(())
    }

    fn commit(&mut self) -> Result<(), StoreError> {
        if self.group.is_empty() {
            return Ok(());
        }
        let committed = self.rows.flush(&self.connection).and_then(|()| self.connection.execute_batch("COMMIT"));
        match committed {
            Ok(()) => self.committed(),
            // Trying again also commits.
            Err(error) => return self.until_it_works(&error),
        }
        Ok(())
    }

    fn committed(&mut self) {
        self.committed.clone_from(&self.rows);
        self.group_samples = 0;
        for message in self.group.drain(..) {
            if let WriterMessage::Sync(ticket) = message {
                (self.report)(WriterReport::Synced(ticket));
            }
        }
    }

    /// The write failed: everything since the last commit is written again until that succeeds or the daemon stops.
    fn until_it_works(&mut self, error: &rusqlite::Error) -> Result<(), StoreError> {
        self.shared.failing.store(true, Ordering::Release);
        (self.report)(WriterReport::Failing(error.to_string()));
        loop {
            let stopping = self.shared.stopping.load(Ordering::Acquire);
            match self.again() {
                Ok(()) => break,
                Err(error) if stopping => return Err(StoreError::Sqlite(error)),
                Err(_) => thread::sleep(RETRY),
            }
        }
        self.shared.failing.store(false, Ordering::Release);
        self.committed();
        (self.report)(WriterReport::Recovered);
        Ok(())
    }

    fn again(&mut self) -> rusqlite::Result<()> {
        if !self.connection.is_autocommit() {
            self.connection.execute_batch("ROLLBACK")?;
        }
        self.rows.clone_from(&self.committed);
        self.connection.execute_batch("BEGIN IMMEDIATE")?;
        self.apply_from(0)?;
        self.rows.flush(&self.connection)?;
        self.connection.execute_batch("COMMIT")
    }
}
