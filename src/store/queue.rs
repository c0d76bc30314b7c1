//! The store as the daemon uses it: a queue to the writer thread, and a backlog behind it. Nothing here waits for the disk.
//! What goes through the queue stands in `writer_channel`.

use std::{
    collections::VecDeque,
    path::{Path, PathBuf},
    sync::{
        Arc, PoisonError,
        atomic::Ordering,
        mpsc::{SyncSender, TrySendError, sync_channel},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::{
    StoreError, open_to_read, open_to_write,
    rows::RowWriter,
    series::{databases, next_database},
    unwritten::Unwritten,
    writer::Writer,
    writer_channel::{IDLE, Ticket, WriterMessage, WriterReport, WriterState, is_event, samples_in},
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

    /// Enqueues records that belong together; the writer stores them: all of them or, after a crash, none.
    pub fn enqueue(&mut self, records: Vec<Record>) {
        if !records.is_empty() {
            self.send(WriterMessage::Records(records));
        }
    }

    /// Requests a report when everything enqueued so far is on disk.
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

    fn put_back(&mut self, mut message: WriterMessage) {
        if let WriterMessage::Records(records) = &mut message {
            records.retain(|record| self.has_backlog_room(record));
            if records.is_empty() {
                return;
            }
        }
        self.backlog.push_back(message);
    }

    /// Counts a record in the backlog, or among what is lost.
    fn has_backlog_room(&mut self, record: &Record) -> bool {
        let (samples, events) = (samples_in(record), usize::from(is_event(record)));
        if self.backlog_samples + samples > BACKLOG_SAMPLES {
            self.lost.samples += samples as u64;
        } else if self.backlog_events + events > BACKLOG_EVENTS {
            self.lost.events += 1;
        } else {
            self.backlog_samples += samples;
            self.backlog_events += events;
            return true;
        }
        self.state.count(|unwritten| unwritten.remove(Unwritten::of(record)));
        false
    }

    fn pump(&mut self) {
        while let Some(message) = self.backlog.pop_front() {
            let (samples, events) = (message.samples(), message.events());
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

#[cfg(test)]
mod tests {
    use rusqlite::Connection;
    use uuid::Uuid;

    use super::*;
    use crate::{
        channel::{Channel, ChannelId, Conversion, MeterId, Sample},
        clock::Wall,
        protocol::{Annunciators, Value},
        session::{Begin, EventKind, Visit},
        units::Quantity,
    };

    /// Groups are committed four times a second while records come without a pause.
    const GROUPS: usize = 6;

    /// Seen: a daemon was killed between the commit of a sample and that of the capture made of it; judged again, the session
    /// came out otherwise.
    #[test]
    fn what_belongs_together_is_committed_together() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let mut store = Store::open(&path, |_| {}).unwrap();
        let begin = Begin {
            id: Uuid::now_v7(),
            wall: Wall(0),
            visit: Visit::default(),
            procedure: None,
            bench: String::new(),
            previous: None,
            retests: None,
        };
        let channel = Channel {
            name: "probe".to_owned(),
            meter: MeterId(0),
            meter_name: "handheld".to_owned(),
            reads: "value".to_owned(),
            conversion: Conversion::NONE,
            range: None,
            fuse: None,
        };
        store.enqueue(vec![
            Record::SessionBegan(Mono(0), Box::new(begin)),
            Record::Channel(ChannelId(0), Box::new(channel)),
        ]);
        let reader = thread::spawn(move || {
            let connection = Connection::open(&path).unwrap();
            let mut seen = vec![(0, 0)];
            while seen.len() <= GROUPS {
                let counts = connection
                    .query_row("SELECT (SELECT COUNT(*) FROM sample), (SELECT COUNT(*) FROM event)", [], |row| {
                        Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
                    })
                    .unwrap();
                if seen.last() != Some(&counts) {
                    seen.push(counts);
                }
            }
            seen
        });
        let mut at = 0;
        while !reader.is_finished() {
            at += 1;
            let sample = Sample {
                at: Mono(at),
                channel: ChannelId(0),
                quantity: Quantity::VoltsDc,
                value: Value::Number(12.61),
                u: None,
                decade: None,
                digit: None,
                annunciators: Annunciators::empty(),
            };
            store.enqueue(vec![
                Record::Samples(vec![sample], vec![None]),
                Record::Event(Mono(at), EventKind::Mark, String::new(), "captured".to_owned()),
            ]);
            while !store.has_room() {
                thread::yield_now();
            }
        }
        let seen = reader.join().unwrap();
        store.stop().unwrap();
        assert!(seen.iter().all(|(samples, events)| samples == events), "{seen:?}");
    }
}
