//! A session as a folder of files.

use std::{
    fs::{self, File, OpenOptions},
    io::{BufWriter, Write},
    path::Path,
};

use rusqlite::Connection;

use super::{
    CsvStyle, ExportError, changes, dropouts, events, excursions, long, responses, session_json, steps, waveforms,
};
use crate::store::read::{SessionRow, TimeStretch};

/// What the folder holds.
pub(crate) const FILES: [&str; 9] = [
    "samples.csv",
    "steps.csv",
    "events.csv",
    "excursions.csv",
    "dropouts.csv",
    "changes.csv",
    "responses.csv",
    "waveforms.csv",
    "session.json",
];

/// Writes all files of a session; the folder is made where it is missing.
pub(crate) fn to_folder(
    connection: &Connection,
    session: &SessionRow,
    style: &CsvStyle,
    folder: &Path,
    progress: impl FnMut(),
) -> Result<(), ExportError> {
    fs::create_dir_all(folder).map_err(|source| ExportError::File { path: folder.to_owned(), source })?;
    let [
        samples_file,
        steps_file,
        events_file,
        excursions_file,
        dropouts_file,
        changes_file,
        responses_file,
        waveforms_file,
        session_file,
    ] = FILES.map(|name| folder.join(name));
    whole_file(&samples_file, |file| long(connection, session, TimeStretch::ALL, style.clone(), file, progress))?;
    whole_file(&steps_file, |file| steps(connection, session, style.clone(), file))?;
    whole_file(&events_file, |file| events(connection, session, style.clone(), file))?;
    whole_file(&excursions_file, |file| excursions(connection, session, style.clone(), file))?;
    whole_file(&dropouts_file, |file| dropouts(connection, session, style.clone(), file))?;
    whole_file(&changes_file, |file| changes(connection, session, style.clone(), file))?;
    whole_file(&responses_file, |file| responses(connection, session, style.clone(), file))?;
    whole_file(&waveforms_file, |file| waveforms(connection, session, style.clone(), file))?;
    whole_file(&session_file, |file| session_json(connection, session, file))
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
