//! Sessions as files for other programs: CSV (RFC 4180) and JSON, streamed in constant memory.
//!
//! Reads the store and writes to whatever it is given; knows no terminal. Reading order: `csv_sheet` (cells, columns and rows),
//! `samples`, `tables` (the ledger, events and what was found while steps watched), `track` (where a drive went), `session_json`,
//! `folder` (all files of a session).

mod csv_sheet;
mod folder;
mod samples;
mod session_json;
mod tables;
mod track;

use csv_sheet::{Cell, CsvColumn, CsvSheet};
pub(crate) use csv_sheet::{CsvStyle, DecimalMark};
pub(crate) use folder::{folder_files, to_folder, whole_file};
pub(crate) use samples::{long, wide};
pub(crate) use session_json::{Ledger, ledger_json, session_json, shown_ledger};
pub(crate) use tables::CsvTable;
pub(crate) use track::{track_csv, track_gpx};

use crate::store::StoreError;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The database could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What was written could not be written on.
    #[error("the export can't be written: {}", crate::io_reason::IoReason(.0))]
    Write(#[from] std::io::Error),
    /// There was no receiver.
    #[error(
        "session {id} has no positions: they need a receiver on the bench (protocol nmea-0183) with channels that read `latitude` and `longitude`"
    )]
    NoTrack {
        /// The session's number.
        id: i64,
    },
    /// A file could not be made.
    #[error("{} can't be written: {}", path.display(), crate::io_reason::IoReason(.source))]
    File {
        /// Which one.
        path: std::path::PathBuf,
        /// The system's message.
        source: std::io::Error,
    },
}

impl From<csv::Error> for ExportError {
    fn from(error: csv::Error) -> Self {
        match error.into_kind() {
            csv::ErrorKind::Io(error) => Self::Write(error),
            other => Self::Write(std::io::Error::other(format!("{other:?}"))),
        }
    }
}
