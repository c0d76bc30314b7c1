//! Why the database can't be written, in kinds that differ in what helps.

use std::{
    fmt, fs,
    io::{self, ErrorKind},
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
};

use nix::libc;
use rusqlite::{Connection, Error, ErrorCode, ffi};

use super::{StoreError, system_errno::system_errno};
use crate::io_reason::IoReason;

/// Why a write failed: reason and remedy in one sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WriteFault {
    /// What helps.
    pub kind: WriteFaultKind,
    /// More about it, in words; empty where there is nothing more to say.
    detail: String,
}

/// The kinds of write faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WriteFaultKind {
    /// The disk is full, a quota is used up, or the file may not grow.
    NoSpace,
    /// Another program holds a lock.
    Locked,
    /// The disk or the file can only be read.
    ReadOnly,
    /// The disk answers with errors. What it took before may be gone, although it said that it had it.
    Device,
    /// The content is damaged, or is not what this program made. Trying again does not help.
    Damaged,
}

impl WriteFault {
    /// The fault behind an error of the connection; `path` is its database.
    pub(super) fn new(error: &Error, connection: &Connection, path: &Path) -> Self {
        let code = error.sqlite_error().map(|error| error.code);
        let errno = match code {
            Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen) => system_errno(connection),
            _ => 0,
        };
        // The file ends before what was written to it.
        if error.sqlite_error().is_some_and(|error| error.extended_code == ffi::SQLITE_IOERR_SHORT_READ) {
            return Self { kind: WriteFaultKind::Damaged, detail: "the file ends too soon".to_owned() };
        }
        Self::of(code, errno, message(error), path)
    }

    /// The fault behind an error of opening a database, which gave no connection.
    pub(super) fn of_opening(error: &Error, path: &Path) -> Self {
        match fs::OpenOptions::new().read(true).write(true).open(path) {
            Err(source) => Self::of_io(&source),
            Ok(_) => Self::of(error.sqlite_error().map(|error| error.code), 0, message(error), path),
        }
    }

    /// Reason and remedy behind an error, where nothing is known but the error.
    pub(super) fn advice(error: &Error) -> String {
        let fault = Self::of(error.sqlite_error().map(|error| error.code), 0, message(error), Path::new(""));
        format!("{}; {}", fault.reason(), fault.remedy())
    }

    /// The fault of a new file that can't be opened.
    pub(super) fn of_opening_new(error: &StoreError) -> Self {
        Self { kind: WriteFaultKind::Device, detail: error.to_string() }
    }

    /// Another program reads the database and holds up the checkpoint.
    pub(super) fn locked(path: &Path) -> Self {
        Self { kind: WriteFaultKind::Locked, detail: lock_holders(path).join(" and ") }
    }

    /// The device said that it had written what it has not.
    pub(super) fn lost_pages() -> Self {
        Self { kind: WriteFaultKind::Damaged, detail: "the disk lost what it had taken".to_owned() }
    }

    /// The fault behind an error of the system.
    pub(super) fn of_io(error: &io::Error) -> Self {
        let errno = error.raw_os_error().unwrap_or_default();
        match kind_of_errno(errno) {
            Some(kind) => Self { kind, detail: String::new() },
            None if error.kind() == ErrorKind::PermissionDenied => {
                Self { kind: WriteFaultKind::ReadOnly, detail: IoReason(error).to_string() }
            }
            None if matches!(error.kind(), ErrorKind::IsADirectory | ErrorKind::NotFound) => {
                Self { kind: WriteFaultKind::ReadOnly, detail: IoReason(error).to_string() }
            }
            None => Self { kind: WriteFaultKind::Device, detail: device_detail(errno) },
        }
    }

    fn of(code: Option<ErrorCode>, errno: i32, message: String, path: &Path) -> Self {
        let (kind, detail) = match code {
            Some(ErrorCode::DiskFull) => (WriteFaultKind::NoSpace, String::new()),
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked | ErrorCode::FileLockingProtocolFailed) => {
                (WriteFaultKind::Locked, lock_holders(path).join(" and "))
            }
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => (WriteFaultKind::ReadOnly, String::new()),
            Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen) => match kind_of_errno(errno) {
                Some(kind) => (kind, String::new()),
                None => (WriteFaultKind::Device, device_detail(errno)),
            },
            Some(ErrorCode::OutOfMemory) => (WriteFaultKind::NoSpace, "the memory is full".to_owned()),
            _ => (WriteFaultKind::Damaged, message),
        };
        Self { kind, detail }
    }
}

/// SQLite's words without the statement.
pub(super) fn message(error: &Error) -> String {
    match error {
        Error::SqlInputError { msg, .. } => msg.clone(),
        Error::SqliteFailure(_, Some(message)) => message.clone(),
        Error::SqliteFailure(ffi::Error { extended_code, .. }, None) => ffi::code_to_str(*extended_code).to_owned(),
        other => other.to_string(),
    }
}

fn kind_of_errno(errno: i32) -> Option<WriteFaultKind> {
    Some(match errno {
        libc::ENOSPC | libc::EDQUOT | libc::EFBIG => WriteFaultKind::NoSpace,
        libc::EROFS => WriteFaultKind::ReadOnly,
        _ => return None,
    })
}

fn device_detail(errno: i32) -> String {
    match errno {
        0 | libc::EIO => String::new(),
        other => IoReason(&io::Error::from_raw_os_error(other)).to_string(),
    }
}

impl WriteFault {
    /// What is so.
    pub(super) fn reason(&self) -> String {
        let reason = match self.kind {
            WriteFaultKind::NoSpace => "no space is left on the disk, or the file may not grow",
            WriteFaultKind::Locked => "another program keeps it locked",
            WriteFaultKind::ReadOnly => "the disk or the file can only be read",
            WriteFaultKind::Device => "the disk answers with errors",
            WriteFaultKind::Damaged => "its content is damaged or another program changed it",
        };
        if self.detail.is_empty() { reason.to_owned() } else { format!("{reason} ({})", self.detail) }
    }

    /// What helps.
    pub(super) fn remedy(&self) -> &'static str {
        match self.kind {
            WriteFaultKind::NoSpace => "free disk space",
            WriteFaultKind::Locked => "close that program",
            WriteFaultKind::ReadOnly => "make the disk writable or correct the file's permissions",
            WriteFaultKind::Device => "check the disk's cable and health, and copy the data folder to another disk",
            WriteFaultKind::Damaged => "keep a copy of the file, and check the disk's health",
        }
    }
}

impl fmt::Display for WriteFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let goes_on = match self.kind {
            WriteFaultKind::Damaged => "recording goes on in a new file",
            _ => "recording continues by itself",
        };
        write!(f, "{}; {}; {goes_on}", self.reason(), self.remedy())
    }
}

/// The programs that hold a lock on a database, as far as the system tells: `sqlite3 (process 4711)`.
fn lock_holders(path: &Path) -> Vec<String> {
    let inodes: Vec<u64> = ["", "-shm", "-wal"].iter().filter_map(|end| inode_of(&with_ending(path, end))).collect();
    let locks = fs::read_to_string("/proc/locks").unwrap_or_default();
    let mut holders: Vec<String> = locks
        .lines()
        .filter_map(|line| lock_of(line).filter(|(_, inode)| inodes.contains(inode)))
        .filter(|(process, _)| *process != std::process::id())
        .map(|(process, _)| {
            let name = fs::read_to_string(format!("/proc/{process}/comm")).unwrap_or_default();
            format!("{} (process {process})", if name.is_empty() { "a program" } else { name.trim() })
        })
        .collect();
    holders.sort_unstable();
    holders.dedup();
    holders
}

/// Process and inode of a line of `/proc/locks`: `1: POSIX  ADVISORY  WRITE 4711 08:02:131 0 EOF`, proc(5). What waits
/// for a lock has an arrow in it.
fn lock_of(line: &str) -> Option<(u32, u64)> {
    let words: Vec<&str> = line.split_whitespace().collect();
    if words.contains(&"->") {
        return None;
    }
    let inode = words.get(5)?.rsplit(':').next()?;
    Some((words.get(4)?.parse().ok()?, inode.parse().ok()?))
}

fn inode_of(path: &Path) -> Option<u64> {
    fs::metadata(path).ok().map(|file| file.ino())
}

/// A path with more at its end: the log of a database is beside it.
pub(super) fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut longer = path.as_os_str().to_owned();
    longer.push(ending);
    PathBuf::from(longer)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_has_its_remedy() {
        let of = |code, errno| WriteFault::of(Some(code), errno, "no such table: event".to_owned(), Path::new("/none"));
        for (code, errno, kind, words) in [
            (ErrorCode::DiskFull, 0, WriteFaultKind::NoSpace, "free disk space"),
            (ErrorCode::SystemIoFailure, libc::ENOSPC, WriteFaultKind::NoSpace, "free disk space"),
            (ErrorCode::SystemIoFailure, libc::EFBIG, WriteFaultKind::NoSpace, "free disk space"),
            (ErrorCode::DatabaseBusy, 0, WriteFaultKind::Locked, "close that program"),
            (ErrorCode::ReadOnly, 0, WriteFaultKind::ReadOnly, "make the disk writable"),
            (ErrorCode::SystemIoFailure, libc::EROFS, WriteFaultKind::ReadOnly, "make the disk writable"),
            (ErrorCode::SystemIoFailure, libc::EIO, WriteFaultKind::Device, "cable and health"),
            (ErrorCode::DatabaseCorrupt, 0, WriteFaultKind::Damaged, "in a new file"),
            (ErrorCode::Unknown, 0, WriteFaultKind::Damaged, "(no such table: event)"),
        ] {
            let fault = of(code, errno);
            assert_eq!(fault.kind, kind, "{code:?}");
            assert!(fault.to_string().contains(words), "{fault}");
        }
    }

    #[test]
    fn the_holder_of_a_lock_is_named() {
        // proc(5), /proc/locks; the second line waits for the first.
        assert_eq!(lock_of("1: POSIX  ADVISORY  WRITE 4711 08:02:131 128 128"), Some((4711, 131)));
        assert_eq!(lock_of("1: -> POSIX  ADVISORY  WRITE 4712 08:02:131 128 128"), None);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let held = Connection::open(&path).unwrap();
        held.execute_batch("CREATE TABLE t (a); BEGIN EXCLUSIVE").unwrap();
        // This process itself is no other program.
        assert_eq!(lock_holders(&path), [] as [String; 0]);
    }
}
