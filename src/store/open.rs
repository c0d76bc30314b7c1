//! Opening the database: whose it is, settings, schema version, sessions that were cut off.

use std::{
    ffi::OsString,
    fmt::Write,
    fs::{self, OpenOptions},
    os::unix::{ffi::OsStrExt, fs::OpenOptionsExt},
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, ErrorCode, OpenFlags};

use super::{
    fault::{WriteFault, message, with_ending},
    interrupted::close_interrupted,
    migrate::{SCHEMA_VERSION, migrate},
};

pub(super) const SCHEMA: &str = include_str!("schema.sql");

/// How long a reader or the writer waits for a lock of the other.
const BUSY: Duration = Duration::from_secs(5);

/// Why the database can't be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is none yet.
    #[error("there is no database {} yet; `bayline run` makes one, --data tells where", path.display())]
    Missing {
        /// Which one.
        path: PathBuf,
    },
    /// It can't be opened or made.
    #[error("the database {} can't be opened: {why}", path.display())]
    Open {
        /// Which one.
        path: PathBuf,
        /// Reason and remedy.
        why: String,
    },
    /// Another program made it.
    #[error(
        "the database {} was made by another program, it has no sessions of bayline; move that file away or choose another folder with --data",
        path.display()
    )]
    Foreign {
        /// Which one.
        path: PathBuf,
    },
    /// It is bayline's, but can't be used any more.
    #[error("the database {} is damaged ({why}); keep a copy of it, and check the disk's health", path.display())]
    Damaged {
        /// Which one.
        path: PathBuf,
        /// SQLite's words.
        why: String,
    },
    /// The copy that is kept before an upgrade can't be made.
    #[error("the database {} can't be upgraded, since no copy of it can be made: {why}", path.display())]
    Copy {
        /// Which one.
        path: PathBuf,
        /// Reason and remedy.
        why: String,
    },
    /// An older bayline wrote it, and it may only be read.
    #[error(
        "the database {} is of version {found}, this bayline knows {SCHEMA_VERSION}; `bayline run` upgrades it and keeps a copy",
        path.display()
    )]
    Older {
        /// Which one.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// A newer bayline wrote it.
    #[error("the database {} is of version {found}, this bayline knows {SCHEMA_VERSION}; use the newer program", path.display())]
    Newer {
        /// Which one.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// SQLite gave an error.
    #[error("the database can't be read or written: {}", WriteFault::advice(.0))]
    Sqlite(#[from] rusqlite::Error),
    /// The end came before everything was written.
    #[error("not everything is on disk: {why}; not written: {unwritten}")]
    NotWritten {
        /// Why not.
        why: String,
        /// What is missing, in words.
        unwritten: String,
    },
    /// Nothing has been recorded.
    #[error("no session has been recorded here yet; --data says where others are")]
    NoneYet,
    /// There is no such session.
    #[error("there is no session {wanted}; `bayline sessions` lists them")]
    NoSession {
        /// What was asked for.
        wanted: String,
    },
    /// A session that is open can't be continued by another one.
    #[error("session {id} is still open; work on in it, or end it first")]
    StillOpen {
        /// Its number.
        id: i64,
    },
    /// An input of the core that this program does not know.
    #[error(
        "the session can't be judged again: what came in as \"{kind}\" is kept in a form that this bayline can't read ({why})"
    )]
    UnknownInput {
        /// Its kind.
        kind: String,
        /// What is wrong.
        why: String,
    },
    /// A session has no such judgement.
    #[error("session {id} has no judgement {number}; `bayline show {id}` shows the one in force")]
    NoJudgement {
        /// The session's number.
        id: i64,
        /// What was asked for.
        number: i64,
    },
    /// The writer thread is gone.
    #[error(
        "the writer of the database has stopped unexpectedly; start bayline again, it continues with `--continues last`"
    )]
    WriterGone,
    /// The system gave no thread.
    #[error("the writer of the database could not be started: {}", crate::io_reason::IoReason(.0))]
    Thread(std::io::Error),
}

impl StoreError {
    /// An error of a database that is open, where it is bayline's own.
    pub(super) fn of_own(error: rusqlite::Error, connection: &Connection, path: &Path) -> Self {
        match error.sqlite_error().map(|error| error.code) {
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::Unknown) => {
                Self::Damaged { path: path.to_owned(), why: message(&error) }
            }
            _ => Self::unusable(&WriteFault::new(&error, connection, path), path),
        }
    }

    fn unusable(fault: &WriteFault, path: &Path) -> Self {
        Self::Open { path: path.to_owned(), why: format!("{}; {}", fault.reason(), fault.remedy()) }
    }
}

/// Opens the database for the one writer, makes it where it is missing, and closes sessions that
/// were cut off. Returns the numbers of those.
///
/// A file that another program or a newer bayline made is refused before a byte of it is changed.
pub(crate) fn open_to_write(path: &Path) -> Result<(Connection, Vec<i64>), StoreError> {
    let found = inspect(path)?;
    make_private(path);
    let mut connection = open(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
    let failed = |error, connection: &Connection| StoreError::of_own(error, connection, path);
    set_up(&connection).map_err(|error| failed(error, &connection))?;
    match found {
        SCHEMA_VERSION => {}
        0 => create(&mut connection).map_err(|error| failed(error, &connection))?,
        older => {
            let copy = migrate(&mut connection, path, older)?;
            tracing::info!("the database was of version {older}; it is upgraded, a copy is {}", copy.display());
        }
    }
    if let Some(table) = missing_table(&connection).map_err(|error| failed(error, &connection))? {
        return Err(StoreError::Damaged { path: path.to_owned(), why: format!("its table \"{table}\" is missing") });
    }
    let interrupted = close_interrupted(&mut connection).map_err(|error| failed(error, &connection))?;
    Ok((connection, interrupted))
}

/// Opens a database that this program has just made, to go on in it; open sessions stay open.
pub(super) fn open_to_go_on(path: &Path) -> Result<Connection, StoreError> {
    let connection = open(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    set_up(&connection).map_err(|error| StoreError::of_own(error, &connection, path))?;
    Ok(connection)
}

/// Makes a new database; the file must not be there yet.
pub(super) fn make_new(path: &Path) -> Result<Connection, StoreError> {
    make_private(path);
    let mut connection = open(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    // Without a log, so that all of it is in the one file, which is going to get another name.
    let made = connection.execute_batch("PRAGMA synchronous = FULL").and_then(|()| create(&mut connection));
    made.map_err(|error| StoreError::of_own(error, &connection, path))?;
    Ok(connection)
}

/// FULL: what is acknowledged survives a power cut. At four commits a second the cost is not measurable.
fn set_up(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;")
}

/// Opens a database that is there, to add to sessions that have ended; a daemon may be writing in another one.
///
/// # Errors
/// It can't be opened, or it is not of this version.
pub(crate) fn open_to_amend(path: &Path) -> Result<Connection, StoreError> {
    drop(open_to_read(path)?);
    open_to_go_on(path)
}

/// Opens the database to read it, while a daemon may be writing.
pub(crate) fn open_to_read(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let connection = open(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    match own_version(&connection, path)? {
        SCHEMA_VERSION => Ok(connection),
        0 => Err(StoreError::Missing { path: path.to_owned() }),
        found => Err(StoreError::Older { path: path.to_owned(), found }),
    }
}

/// The version of the database at a path, 0 where there is none yet. Nothing is changed.
fn inspect(path: &Path) -> Result<i64, StoreError> {
    match fs::metadata(path) {
        Ok(file) if file.len() > 0 => {}
        Ok(file) if file.is_dir() => {}
        _ => return Ok(0),
    }
    let has_log = fs::metadata(with_ending(path, "-wal")).is_ok_and(|log| log.len() > 0);
    let connection = match has_log {
        true => open(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?,
        // So that SQLite makes no files beside one that is not ours.
        false => open(&as_immutable(path), OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI)
            .or_else(|_| open(path, OpenFlags::SQLITE_OPEN_READ_ONLY))?,
    };
    own_version(&connection, path)
}

/// The version of a database of bayline's, 0 for one that is empty.
fn own_version(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    let failed = |error: rusqlite::Error| match error.sqlite_error().map(|error| error.code) {
        Some(ErrorCode::NotADatabase) => StoreError::Open {
            path: path.to_owned(),
            why: "it is not a database, or its beginning is damaged; move it away or choose another folder with --data"
                .to_owned(),
        },
        _ => StoreError::of_own(error, connection, path),
    };
    let found = version(connection).map_err(failed)?;
    let count = "SELECT COUNT(*), COALESCE(SUM(name IN ('session', 'sample', 'channel')), 0) FROM sqlite_schema WHERE type = 'table'";
    let (tables, own): (i64, i64) =
        connection.query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?))).map_err(failed)?;
    match found {
        0 if tables == 0 => Ok(0),
        1.. if own == 0 => Err(StoreError::Foreign { path: path.to_owned() }),
        1..=SCHEMA_VERSION => Ok(found),
        found if found > SCHEMA_VERSION => Err(StoreError::Newer { path: path.to_owned(), found }),
        _ => Err(StoreError::Foreign { path: path.to_owned() }),
    }
}

/// The path as SQLite's URI of a file that nobody changes.
fn as_immutable(path: &Path) -> PathBuf {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => uri.push(char::from(*byte)),
            // Writing to a String does not fail.
            other => drop(write!(uri, "%{other:02X}")),
        }
    }
    uri.push_str("?immutable=1");
    PathBuf::from(OsString::from(uri))
}

/// A customer's data is readable by its owner alone. Where the file can't be made, opening it gives the error.
pub(super) fn make_private(path: &Path) {
    drop(OpenOptions::new().write(true).create_new(true).mode(0o600).open(path));
}

fn open(path: &Path, flags: OpenFlags) -> Result<Connection, StoreError> {
    let failed = |error| match path.is_dir() {
        true => StoreError::Open {
            path: path.to_owned(),
            why: "it is a folder, expected a file; move it away or choose another folder with --data".to_owned(),
        },
        false => StoreError::unusable(&WriteFault::of_opening(&error, path), path),
    };
    let connection = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(failed)?;
    connection.busy_timeout(BUSY).map_err(failed)?;
    Ok(connection)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

fn create(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(SCHEMA)?;
    transaction.pragma_update(None, "user_version", SCHEMA_VERSION)?;
    transaction.commit()
}

/// A table that a database of this version has and this one has not.
fn missing_table(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let names = |connection: &Connection| -> rusqlite::Result<Vec<String>> {
        let mut statement = connection.prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")?;
        statement.query_map([], |row| row.get(0))?.collect()
    };
    let new = Connection::open_in_memory()?;
    new.execute_batch(SCHEMA)?;
    let found = names(connection)?;
    Ok(names(&new)?.into_iter().find(|name| !found.contains(name)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(folder: &Path) -> Vec<(OsString, Vec<u8>)> {
        let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
        let mut files: Vec<_> = entries.map(|entry| (entry.file_name(), fs::read(entry.path()).unwrap())).collect();
        files.sort();
        files
    }

    /// Seen: `PRAGMA journal_mode` came before the version, so that the header of a newer database was changed.
    #[test]
    fn what_is_not_ours_is_refused_before_a_byte_of_it_is_changed() {
        for (sql, expected) in [
            ("CREATE TABLE session (id); PRAGMA user_version = 1000;", "is of version 1000"),
            ("CREATE TABLE session (id); CREATE TABLE track (id);", "by another program"),
            ("CREATE TABLE track (id); PRAGMA user_version = 2;", "by another program"),
            ("CREATE TABLE track (id); PRAGMA user_version = 2000;", "by another program"),
        ] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("bay ü?line.db");
            Connection::open(&path).unwrap().execute_batch(sql).unwrap();
            let before = bytes(folder.path());
            let message = open_to_write(&path).unwrap_err().to_string();
            assert!(message.contains(expected) && message.contains("line.db"), "{message}");
            assert!(!message.contains("CREATE"), "{message}");
            assert!(bytes(folder.path()) == before, "{sql}: the file was changed");
        }
    }

    #[test]
    fn a_damaged_database_is_told_from_a_foreign_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let (connection, _) = open_to_write(&path).unwrap();
        connection.execute_batch("DROP VIEW reading; DROP TABLE step").unwrap();
        drop(connection);
        assert!(matches!(open_to_write(&path), Err(StoreError::Damaged { .. })));
    }
}
