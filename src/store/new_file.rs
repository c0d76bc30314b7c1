//! A new database in which recording goes on, where the one in use was moved, cut off or damaged.

use std::{
    fs, io,
    os::unix::fs::DirBuilderExt,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, backup::Backup, params};

use super::{
    fault::{WriteFault, WriteFaultKind, with_ending},
    migrate::sync_folder_of,
    open::{make_new, make_private, open_to_go_on},
    rows::RowWriter,
};
use crate::session::Record;

/// Pages that are copied at a time.
const PAGES: std::ffi::c_int = 1000;

/// What a session became in a new file.
pub(super) struct MovedSession {
    pub connection: Connection,
    /// The state in which writing goes on there.
    pub rows: RowWriter,
    /// Samples of the session that could not be read any more.
    pub missing_samples: i64,
    /// Other records that the new file did not take.
    pub missing_records: u64,
}

/// Copies all that an open database holds, whatever became of its name. None where the copy is not sound.
pub(super) fn whole_copy(from: &Connection, rows: &RowWriter, to: &Path) -> Result<Option<Connection>, WriteFault> {
    let unfinished = prepare(to)?;
    make_private(&unfinished);
    let copied = || -> rusqlite::Result<bool> {
        let mut copy = Connection::open(&unfinished)?;
        Backup::new(from, &mut copy)?.run_to_completion(PAGES, Duration::ZERO, None)?;
        is_sound(&copy, rows)
    };
    match copied() {
        Ok(true) => finish(&unfinished, to).map(Some),
        Ok(false) => Ok(None),
        Err(error) => {
            let fault = WriteFault::new(&error, from, to);
            // Where the disk itself fails, making the file from memory fails too.
            match fault.kind {
                WriteFaultKind::Damaged | WriteFaultKind::Device => Ok(None),
                _ => Err(fault),
            }
        }
    }
}

/// Whether a database has no damage that shows, and the newest committed sample.
pub(super) fn is_sound(database: &Connection, rows: &RowWriter) -> rusqlite::Result<bool> {
    let health: String = database.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
    let newest: i64 = database.query_row("SELECT COALESCE(MAX(rowid), 0) FROM sample", [], |row| row.get(0))?;
    let session: bool = database.query_row(
        "SELECT ?1 IS NULL OR EXISTS (SELECT 1 FROM session WHERE id = ?1)",
        [rows.session()],
        |row| row.get(0),
    )?;
    Ok(health == "ok" && newest == rows.next_row() - 1 && session)
}

/// Makes a new database with the open session: its records from memory, and the samples that the old one still gives.
pub(super) fn session_again(
    old: &Connection,
    rows: &RowWriter,
    log: &[(i64, Record)],
    to: &Path,
) -> Result<MovedSession, WriteFault> {
    let unfinished = prepare(to)?;
    let new = make_new(&unfinished).map_err(|error| WriteFault::of_opening_new(&error))?;
    let write = || -> rusqlite::Result<(RowWriter, u64, i64)> {
        new.execute_batch("BEGIN IMMEDIATE")?;
        let (rows, missing_records) = rows.write_again(&new, log)?;
        let first = log.first().map_or(rows.next_row(), |(first, _)| *first);
        let copied = copy_samples(old, &new, first, rows.next_row())?;
        new.execute_batch("COMMIT")?;
        Ok((rows.clone(), missing_records, rows.next_row() - first - copied))
    };
    let (rows, missing_records, missing_samples) = write().map_err(|error| WriteFault::new(&error, &new, to))?;
    drop(new);
    Ok(MovedSession { connection: finish(&unfinished, to)?, rows, missing_samples, missing_records })
}

/// Copies samples up to the first that can't be read; returns how many.
fn copy_samples(old: &Connection, new: &Connection, first: i64, end: i64) -> rusqlite::Result<i64> {
    let mut insert = new.prepare(
        "INSERT INTO sample (rowid, time_us, channel, value, place, state, verdict) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?;
    let sql = "SELECT rowid, time_us, channel, value, place, state, verdict FROM sample
               WHERE rowid >= ?1 AND rowid < ?2 ORDER BY rowid";
    let Ok(mut select) = old.prepare(sql) else { return Ok(0) };
    let Ok(mut samples) = select.query(params![first, end]) else { return Ok(0) };
    let mut copied = 0;
    while let Ok(Some(sample)) = samples.next() {
        let cells: Result<Vec<rusqlite::types::Value>, _> = (0..7).map(|column| sample.get(column)).collect();
        let Ok(cells) = cells else { break };
        insert.execute(rusqlite::params_from_iter(cells))?;
        copied += 1;
    }
    Ok(copied)
}

/// The name under which a new file is made; its folder is made again where it is gone.
fn prepare(to: &Path) -> Result<PathBuf, WriteFault> {
    let unfinished = with_ending(to, ".unfinished");
    let prepared = || -> io::Result<()> {
        if let Some(folder) = to.parent() {
            fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
        }
        for ending in ["", "-journal", "-wal", "-shm"] {
            match fs::remove_file(with_ending(&unfinished, ending)) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
        }
        Ok(())
    };
    prepared().map_err(|error| WriteFault::of_io(&error))?;
    Ok(unfinished)
}

/// Gives a new file its last name once all of it is on disk.
fn finish(unfinished: &Path, to: &Path) -> Result<Connection, WriteFault> {
    let named = || -> io::Result<()> {
        fs::File::open(unfinished)?.sync_all()?;
        fs::rename(unfinished, to)?;
        sync_folder_of(to)
    };
    named().map_err(|error| WriteFault::of_io(&error))?;
    open_to_go_on(to).map_err(|error| WriteFault::of_opening_new(&error))
}
