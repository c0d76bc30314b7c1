//! A session as a folder of files.

use std::{
    fs::{self, File, OpenOptions},
    io::{BufWriter, Write},
    path::Path,
};

use rusqlite::Connection;

use super::{CsvStyle, CsvTable, ExportError, long, session_json};
use crate::store::read::{SessionRow, TimeStretch};

/// What the folder holds beside its small tables.
const SAMPLES_FILE: &str = "samples.csv";
const SESSION_FILE: &str = "session.json";

/// The small tables, each in a file of its own.
const TABLE_FILES: [(&str, CsvTable); 7] = [
    ("steps.csv", CsvTable::Steps),
    ("events.csv", CsvTable::Events),
    ("excursions.csv", CsvTable::Excursions),
    ("dropouts.csv", CsvTable::DropOuts),
    ("changes.csv", CsvTable::Changes),
    ("responses.csv", CsvTable::Responses),
    ("waveforms.csv", CsvTable::Waveforms),
];

/// The names of all files of the folder.
pub(crate) fn folder_files() -> impl Iterator<Item = &'static str> {
    [SAMPLES_FILE].into_iter().chain(TABLE_FILES.map(|(name, _)| name)).chain([SESSION_FILE])
}

/// Writes all files of a session; the folder is made where it is missing.
pub(crate) fn to_folder(
    connection: &Connection,
    session: &SessionRow,
    style: &CsvStyle,
    folder: &Path,
    progress: impl FnMut(),
) -> Result<(), ExportError> {
    fs::create_dir_all(folder).map_err(|source| ExportError::File { path: folder.to_owned(), source })?;
    whole_file(&folder.join(SAMPLES_FILE), |file| {
        long(connection, session, TimeStretch::ALL, style.clone(), file, progress)
    })?;
    for (name, table) in TABLE_FILES {
        whole_file(&folder.join(name), |file| table.write(connection, session, style.clone(), file))?;
    }
    whole_file(&folder.join(SESSION_FILE), |file| session_json(connection, session, file))
}

/// Writes a file under another name first, so that nobody ever finds half of it.
pub(crate) fn whole_file(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let failed = |source| ExportError::File { path: path.to_owned(), source };
    if fs::metadata(path).is_ok_and(|file| !file.is_file() && !file.is_dir()) {
        // A device or a pipe: it can't be had under another name, and must not be replaced.
        let mut file = BufWriter::new(OpenOptions::new().write(true).open(path).map_err(failed)?);
        return write(&mut file).and_then(|()| Ok(file.flush()?));
    }
    let mut part = path.as_os_str().to_owned();
    part.push(format!(".part-{}", std::process::id()));
    let part = Path::new(&part);
    let mut file = BufWriter::new(OpenOptions::new().write(true).create_new(true).open(part).map_err(failed)?);
    let written = write(&mut file).and_then(|()| Ok(file.flush()?));
    match written {
        Ok(()) => fs::rename(part, path).map_err(failed),
        Err(error) => {
            // Half a file is of no use; the first error is the one to report.
            drop(fs::remove_file(part));
            Err(error)
        }
    }
}
