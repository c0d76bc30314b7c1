//! Opening the database: settings, schema version, sessions that were cut off.

use std::{
    fs::OpenOptions,
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, OpenFlags, params};

use super::migrate::{SCHEMA_VERSION, migrate};

const SCHEMA: &str = include_str!("schema.sql");

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
    #[error("the database {} can't be opened: {source}; look at the disk's space and the file's permissions", path.display())]
    Open {
        /// Which one.
        path: PathBuf,
        /// SQLite's message.
        source: rusqlite::Error,
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
    #[error("cannot read or write the database: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// Nothing has been recorded.
    #[error("no session has been recorded here yet; --data says where others are")]
    NoneYet,
    /// There is no such session.
    #[error("there is no session {wanted}; `bayline sessions` lists them")]
    NoSession {
        /// What was asked for.
        wanted: String,
    },
    /// A session that is open can't be gone on with in another one.
    #[error("session {id} is still open; work on in it, or end it first")]
    StillOpen {
        /// Its number.
        id: i64,
    },
    /// The writer thread is gone.
    #[error("the writer of the database has stopped")]
    WriterGone,
    /// The system gave no thread.
    #[error("the writer of the database could not be started: {}", crate::io_reason::IoReason(.0))]
    Thread(std::io::Error),
}

/// Opens the database for the one writer, makes it where it is missing, and closes sessions that
/// were cut off. Returns the numbers of those.
pub(crate) fn open_to_write(path: &Path) -> Result<(Connection, Vec<i64>), StoreError> {
    make_private(path);
    let mut connection = open(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
    let failed = |source| StoreError::Open { path: path.to_owned(), source };
    // FULL: what is acknowledged survives a power cut. At four commits a second the cost is not measurable.
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;").map_err(failed)?;
    match version(&connection).map_err(failed)? {
        SCHEMA_VERSION => {}
        0 => create(&mut connection).map_err(failed)?,
        older if (1..SCHEMA_VERSION).contains(&older) => {
            let copy = migrate(&mut connection, path, older).map_err(failed)?;
            tracing::info!("the database was of version {older}; it is upgraded, a copy is {}", copy.display());
        }
        found => return Err(StoreError::Newer { path: path.to_owned(), found }),
    }
    let interrupted = close_interrupted(&mut connection).map_err(failed)?;
    Ok((connection, interrupted))
}

/// Opens the database to read it, while a daemon may be writing.
pub(crate) fn open_to_read(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let connection = open(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    let found = version(&connection).map_err(|source| StoreError::Open { path: path.to_owned(), source })?;
    match found {
        SCHEMA_VERSION => Ok(connection),
        0 => Err(StoreError::Missing { path: path.to_owned() }),
        found if found < SCHEMA_VERSION => Err(StoreError::Older { path: path.to_owned(), found }),
        found => Err(StoreError::Newer { path: path.to_owned(), found }),
    }
}

/// A customer's data is readable by its owner alone. Where the file can't be made, opening it gives the error.
fn make_private(path: &Path) {
    drop(OpenOptions::new().write(true).create_new(true).mode(0o600).open(path));
}

fn open(path: &Path, flags: OpenFlags) -> Result<Connection, StoreError> {
    let failed = |source| StoreError::Open { path: path.to_owned(), source };
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

/// Closes what a killed daemon or a power cut left open, at the time of its last record.
fn close_interrupted(connection: &mut Connection) -> rusqlite::Result<Vec<i64>> {
    let transaction = connection.transaction()?;
    let open: Vec<i64> = transaction
        .prepare("SELECT id FROM session WHERE ended_us IS NULL ORDER BY id")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for session in &open {
        // Only the newest session can be open, so its rows reach to the end of the table.
        transaction.execute(
            "UPDATE step SET ended_us = ?2, left_how = 'interrupted', last_row = ?3 WHERE session = ?1 AND ended_us IS NULL",
            params![session, last_record_us(&transaction, *session)?, last_row(&transaction)?],
        )?;
        transaction.execute(
            "UPDATE session SET ended_us = ?2, ended_how = 'interrupted', last_row = ?3 WHERE id = ?1",
            params![session, last_record_us(&transaction, *session)?, last_row(&transaction)?],
        )?;
    }
    transaction.commit()?;
    Ok(open)
}

fn last_row(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("SELECT COALESCE(MAX(rowid), 0) FROM sample", [], |row| row.get(0))
}

/// The latest time of anything that was recorded in the session, µs.
fn last_record_us(connection: &Connection, session: i64) -> rusqlite::Result<i64> {
    connection.query_row(
        "SELECT MAX(t) FROM (
            SELECT 0 AS t
            UNION ALL SELECT MAX(at_us) FROM event WHERE session = ?1
            UNION ALL SELECT MAX(at_us) FROM anchor WHERE session = ?1
            UNION ALL SELECT MAX(began_us) FROM step WHERE session = ?1
            UNION ALL SELECT MAX(time_us) FROM (
                SELECT time_us FROM sample
                WHERE rowid >= (SELECT first_row FROM session WHERE id = ?1) ORDER BY rowid DESC LIMIT 1000))",
        [session],
        |row| row.get(0),
    )
}
