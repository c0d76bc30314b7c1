//! The writer thread: groups records into commits, acknowledges what is on disk, and resumes after whatever the disk or
//! another program did to the database.

use std::{
    fs::File,
    io,
    path::PathBuf,
    sync::{
        Arc,
        atomic::Ordering,
        mpsc::{Receiver, RecvTimeoutError},
    },
    thread,
    time::Duration,
};

use nix::fcntl::{PosixFadviseAdvice, posix_fadvise};
use rusqlite::Connection;

use super::{
    StoreError, WriteFault,
    fault::WriteFaultKind,
    file_watch::{FileChange, FileWatch},
    migrate::sync_folder_of,
    new_file::{is_sound, session_again, whole_copy},
    open::open_to_read,
    queue::ROOM_AT,
    rows::{RowWriter, is_of_content},
    series::next_database,
    writer_channel::{IDLE, MovedDatabase, WriterMessage, WriterReport, WriterState},
};
use crate::{
    clock::{Clock, Mono},
    session::Record,
};

/// Samples younger than this may be lost in a power cut.
const GROUP: Duration = Duration::from_millis(250);

/// A group with this many samples is committed early, which bounds its memory: 20,000 are some 1.5 MB.
const GROUP_SAMPLES: usize = 20_000;

/// How long until a failed write is tried again.
const RETRY: Duration = Duration::from_millis(500);

/// How long the writer waits for another program's lock before it says so.
const LOCKED: Duration = Duration::from_secs(1);

/// How often the files are looked at where nothing is written.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// New files in a row, after which a damaged one is tried again instead: what damages each new file damages the next too.
const NEW_FILES_IN_A_ROW: u32 = 3;

pub(super) struct Writer {
    connection: Connection,
    path: PathBuf,
    watch: FileWatch,
    /// As the open transaction leaves it.
    rows: RowWriter,
    /// As the last commit left it.
    committed: RowWriter,
    /// What the open transaction holds, to be written again when it fails.
    group: Vec<WriterMessage>,
    group_samples: usize,
    /// The committed records of the open session, all but its samples, each with the rowid of the next sample then: from
    /// them a new file is made where this one gives nothing any more.
    session: Vec<(i64, Record)>,
    state: Arc<WriterState>,
    clock: Clock,
    report: Box<dyn FnMut(WriterReport) + Send>,
}

/// How far a failed commit has come.
#[derive(Debug, Default)]
struct Recovery {
    /// The group is committed in the open file, though nobody knows whether that lasts.
    written: bool,
    /// The device answered with an error: what it took before may be gone.
    is_device_suspect: bool,
    /// Why the file in use can't be used any more.
    leave: Option<String>,
    /// The content of the file is damaged, so that a copy of it is of no use.
    is_damaged: bool,
    new_files: u32,
}

impl Writer {
    pub(super) fn new(
        connection: Connection,
        path: PathBuf,
        rows: RowWriter,
        state: Arc<WriterState>,
        clock: Clock,
        report: Box<dyn FnMut(WriterReport) + Send>,
    ) -> Self {
        let watch = FileWatch::new(&path);
        // A connection takes any time-out.
        drop(connection.busy_timeout(LOCKED));
        Self {
            connection,
            path,
            watch,
            rows: rows.clone(),
            committed: rows,
            group: Vec::new(),
            group_samples: 0,
            session: Vec::new(),
            state,
            clock,
            report,
        }
    }

    pub(super) fn run(&mut self, inbox: &Receiver<WriterMessage>) -> Result<(), StoreError> {
        let mut due: Option<Mono> = None;
        loop {
            let wait =
                due.map_or(LOOK_EVERY, |due| Duration::from_micros(due.since(self.clock.mono()).max(0).unsigned_abs()));
            let received = if wait.is_zero() { Err(RecvTimeoutError::Timeout) } else { inbox.recv_timeout(wait) };
            self.state.busy_since.store(self.clock.mono().0, Ordering::Release);
            match received {
                Ok(message) => {
                    let left = self.state.queued.fetch_sub(1, Ordering::AcqRel) - 1;
                    if left <= ROOM_AT && self.state.wants_room.swap(false, Ordering::AcqRel) {
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
            self.state.busy_since.store(IDLE, Ordering::Release);
        }
    }

    fn write(&mut self, message: WriterMessage) -> Result<(), StoreError> {
        let first = self.group.is_empty();
        self.group_samples += message.samples();
        self.group.push(message);
        let written = match (first, self.group.last()) {
            (true, _) => self.connection.execute_batch("BEGIN IMMEDIATE").and_then(|()| self.apply_from(0)),
            (false, _) => self.apply_from(self.group.len() - 1),
        };
        written.or_else(|error| self.recover_from(&error))
    }

    fn apply_from(&mut self, first: usize) -> rusqlite::Result<()> {
        for record in self.group[first..].iter().flat_map(WriterMessage::records) {
            self.rows.apply(&self.connection, record)?;
        }
        Ok(())
    }

    /// Commits the group. The files are looked at before and after: what a file without a name keeps is kept by nobody.
    fn commit(&mut self) -> Result<(), StoreError> {
        if let Some(change) = self.file_change() {
            return self.leave_file(change, self.group.is_empty());
        }
        if self.group.is_empty() {
            return Ok(());
        }
        let committed = self.rows.flush(&self.connection).and_then(|()| self.connection.execute_batch("COMMIT"));
        match committed {
            Ok(()) => match self.file_change() {
                None => self.committed(),
                Some(change) => return self.leave_file(change, true),
            },
            // Trying again also commits.
            Err(error) => return self.recover_from(&error),
        }
        Ok(())
    }

    fn committed(&mut self) {
        self.watch.remember();
        let mut next_row = self.committed.next_row();
        self.committed.clone_from(&self.rows);
        self.group_samples = 0;
        let mut written = super::unwritten::Unwritten::default();
        for message in self.group.drain(..) {
            written.add(message.unwritten());
            let records = match message {
                WriterMessage::Sync(ticket) => {
                    (self.report)(WriterReport::Synced(ticket));
                    continue;
                }
                WriterMessage::Records(records) => records,
            };
            for record in records {
                if let Record::Samples(samples, _) = &record {
                    next_row += samples.len() as i64;
                    continue;
                }
                if matches!(record, Record::SessionBegan(..) | Record::SessionEnded(..)) {
                    self.session.clear();
                }
                if !matches!(record, Record::SessionEnded(..)) {
                    self.session.push((next_row, record));
                }
            }
        }
        self.state.count(|unwritten| unwritten.remove(written));
    }

    fn recover_from(&mut self, error: &rusqlite::Error) -> Result<(), StoreError> {
        // What can't be read any more since it was cut off is no fault of the disk.
        if let Some(change) = self.watch.change() {
            return self.leave_file(change, false);
        }
        let fault = WriteFault::new(error, &self.connection, &self.path);
        self.recover(Recovery::default(), Some(fault))
    }

    fn leave_file(&mut self, change: FileChange, written: bool) -> Result<(), StoreError> {
        self.recover(Recovery { written, leave: Some(change.to_string()), ..Recovery::default() }, None)
    }

    /// Everything since the last commit is written again until that succeeds or the daemon stops.
    fn recover(&mut self, mut recovery: Recovery, first: Option<WriteFault>) -> Result<(), StoreError> {
        let mut reported: Option<WriteFault> = None;
        let mut fault = first;
        loop {
            if let Some(fault) = fault.take() {
                match fault.kind {
                    WriteFaultKind::Damaged if recovery.new_files < NEW_FILES_IN_A_ROW => {
                        recovery.leave = Some(fault.reason());
                        recovery.is_damaged = true;
                    }
                    kind => {
                        recovery.is_device_suspect |= kind == WriteFaultKind::Device;
                        if self.state.stopping.load(Ordering::Acquire) {
                            let unwritten =
                                *self.state.unwritten.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                            return Err(StoreError::NotWritten {
                                why: format!("{}; {}", fault.reason(), fault.remedy()),
                                unwritten: unwritten.to_string(),
                            });
                        }
                        self.state.failing.store(true, Ordering::Release);
                        if reported.as_ref() != Some(&fault) {
                            (self.report)(WriterReport::Failing(fault.clone()));
                        } else {
                            thread::sleep(RETRY);
                        }
                        reported = Some(fault);
                    }
                }
            }
            match self.try_again(&mut recovery) {
                Ok(()) => break,
                Err(error) => fault = Some(error),
            }
        }
        self.state.failing.store(false, Ordering::Release);
        self.committed();
        if reported.is_some() {
            (self.report)(WriterReport::Recovered);
        }
        Ok(())
    }

    fn try_again(&mut self, recovery: &mut Recovery) -> Result<(), WriteFault> {
        loop {
            if !recovery.written && !self.connection.is_autocommit() {
                self.database(|writer| writer.connection.execute_batch("ROLLBACK"))?;
            }
            if let Some(change) = self.file_change() {
                recovery.leave.get_or_insert_with(|| change.to_string());
            }
            if let Some(why) = recovery.leave.clone() {
                self.go_on_in_new_file(why, recovery)?;
                recovery.leave = None;
                recovery.is_damaged = false;
                recovery.new_files += 1;
            }
            if !recovery.written {
                self.again(recovery.new_files > 0)?;
                recovery.written = true;
            }
            if recovery.is_device_suspect {
                self.prove_on_disk()?;
                recovery.is_device_suspect = false;
            }
            if self.file_change().is_none() || recovery.new_files >= NEW_FILES_IN_A_ROW {
                return Ok(());
            }
        }
    }

    /// Writes the group. In a new file, what the database does not take by its content is left out: it would keep every
    /// file from being written.
    fn again(&mut self, leave_out: bool) -> Result<(), WriteFault> {
        self.rows.clone_from(&self.committed);
        self.database(|writer| writer.connection.execute_batch("BEGIN IMMEDIATE"))?;
        for record in self.group.iter().flat_map(WriterMessage::records) {
            match self.rows.apply(&self.connection, record) {
                Err(error) if leave_out && is_of_content(&error) => {
                    tracing::error!("the database does not take a record, it is left out: {error}");
                }
                Err(error) => return Err(WriteFault::new(&error, &self.connection, &self.path)),
                Ok(()) => {}
            }
        }
        self.database(|writer| writer.rows.flush(&writer.connection))?;
        self.database(|writer| writer.connection.execute_batch("COMMIT"))
    }

    fn database<T>(&mut self, work: impl FnOnce(&mut Self) -> rusqlite::Result<T>) -> Result<T, WriteFault> {
        work(self).map_err(|error| WriteFault::new(&error, &self.connection, &self.path))
    }

    /// What happened to the files; none where nothing did. A file that another program made shorter in an orderly way,
    /// as `VACUUM` does, is still the file.
    fn file_change(&mut self) -> Option<FileChange> {
        let change = self.watch.change()?;
        if change == FileChange::Shorter {
            let sound = open_to_read(&self.path).is_ok_and(|fresh| is_sound(&fresh, &self.committed).unwrap_or(false));
            if sound {
                self.watch.remember();
                return None;
            }
        }
        Some(change)
    }

    /// Saves the session into a new file and goes on there: by a copy of all that the open file holds, or, where that is
    /// damaged, by the session's records from memory and the samples that can still be read.
    fn go_on_in_new_file(&mut self, why: String, recovery: &mut Recovery) -> Result<(), WriteFault> {
        let to = next_database(&self.path);
        let held = if recovery.written { &self.rows } else { &self.committed };
        let copy = if recovery.is_damaged { None } else { whole_copy(&self.connection, held, &to)? };
        let (mut missing_samples, mut missing_records) = (0, 0);
        match copy {
            Some(connection) => self.connection = connection,
            None => {
                let moved = session_again(&self.connection, &self.committed, &self.session, &to)?;
                (missing_samples, missing_records) = (moved.missing_samples, moved.missing_records);
                self.connection = moved.connection;
                self.committed = moved.rows;
                self.rows.clone_from(&self.committed);
                // An empty group has nothing to be written again.
                recovery.written = self.group.is_empty();
            }
        }
        drop(self.connection.busy_timeout(LOCKED));
        let from = std::mem::replace(&mut self.path, to.clone());
        self.watch = FileWatch::new(&self.path);
        (self.report)(WriterReport::Moved(MovedDatabase { from, to, why, missing_samples, missing_records }));
        Ok(())
    }

    /// Proves that all commits are on disk after the device had answered with an error.
    ///
    /// A page whose write-back failed counts as clean in the system's memory and is not written again: it is read from
    /// memory as if it were on disk, and is gone after a power cut. So the log is brought into the database and cut to
    /// nothing, which writes each page anew; then the system's memory of the file is given up, and a new connection
    /// must find there what was committed.
    fn prove_on_disk(&mut self) -> Result<(), WriteFault> {
        let busy: i64 = self
            .database(|writer| writer.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0)))?;
        if busy != 0 {
            return Err(WriteFault::locked(&self.path));
        }
        let synced = || -> io::Result<()> {
            let file = File::open(&self.path)?;
            file.sync_all()?;
            sync_folder_of(&self.path)?;
            // Advice: where the system does not follow it, the check below reads from memory.
            _ = posix_fadvise(&file, 0, 0, PosixFadviseAdvice::POSIX_FADV_DONTNEED);
            Ok(())
        };
        synced().map_err(|error| WriteFault::of_io(&error))?;
        let fresh = open_to_read(&self.path).map_err(|error| WriteFault::of_opening_new(&error))?;
        match is_sound(&fresh, &self.rows) {
            Ok(true) => Ok(()),
            Ok(false) => Err(WriteFault::lost_pages()),
            Err(error) => Err(WriteFault::new(&error, &fresh, &self.path)),
        }
    }
}
