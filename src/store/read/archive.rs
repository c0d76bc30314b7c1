//! All files of a data folder, read as one: the newest file tells of a session that several have.

use std::path::Path;

use rusqlite::Connection;

use super::{SessionRow, find, find_text, list};
use crate::store::{Folder, StoreError, open_to_read};

/// The databases of a data folder, open to be read.
pub(crate) struct Archive {
    /// The newest first.
    files: Vec<Connection>,
    unreadable: Vec<StoreError>,
}

impl Archive {
    /// Opens all databases of a folder.
    ///
    /// # Errors
    /// None of them can be read.
    pub(crate) fn open(folder: &Folder) -> Result<Self, StoreError> {
        let mut paths = folder.databases();
        if paths.is_empty() {
            paths.push(folder.database());
        }
        Self::of(paths.iter().rev().map(|path| path.as_path()))
    }

    fn of<'a>(newest_first: impl Iterator<Item = &'a Path>) -> Result<Self, StoreError> {
        let mut archive = Self { files: Vec::new(), unreadable: Vec::new() };
        for path in newest_first {
            match open_to_read(path) {
                Ok(connection) => archive.files.push(connection),
                Err(error) => archive.unreadable.push(error),
            }
        }
        match archive.files.is_empty() {
            true => Err(archive.unreadable.remove(0)),
            false => Ok(archive),
        }
    }

    /// Why some of the files can't be read, a sentence each.
    pub(crate) fn unreadable(&self) -> &[StoreError] {
        &self.unreadable
    }

    /// All sessions, oldest first.
    ///
    /// # Errors
    /// The newest file can't be read. What an older, damaged one does not give is added to [`Self::unreadable`].
    pub(crate) fn sessions(&mut self) -> Result<Vec<SessionRow>, StoreError> {
        self.merged(list)
    }

    /// The sessions in which a text stands, oldest first; see [`find_text`].
    ///
    /// # Errors
    /// As [`Self::sessions`].
    pub(crate) fn find_text(&mut self, text: &str) -> Result<Vec<SessionRow>, StoreError> {
        self.merged(|connection| find_text(connection, text))
    }

    fn merged(
        &mut self,
        read: impl Fn(&Connection) -> Result<Vec<SessionRow>, StoreError>,
    ) -> Result<Vec<SessionRow>, StoreError> {
        let mut sessions: Vec<SessionRow> = Vec::new();
        for (age, file) in self.files.iter().enumerate() {
            let more = match read(file) {
                Ok(more) => more,
                Err(error) if age > 0 => {
                    self.unreadable.push(error);
                    continue;
                }
                Err(error) => return Err(error),
            };
            sessions
                .extend(more.into_iter().filter(|one| !newer_has(&self.files[..age], &one.uuid)).collect::<Vec<_>>());
        }
        sessions.sort_by_key(|session| session.id);
        Ok(sessions)
    }

    /// The session of a number, of the beginning of an identity, or `last`, and the file that holds it.
    ///
    /// # Errors
    /// There is none, or it can't be read.
    pub(crate) fn find(&self, wanted: &str) -> Result<(&Connection, SessionRow), StoreError> {
        let mut missing = None;
        for file in &self.files {
            match find(file, wanted) {
                Ok(session) => return Ok((file, session)),
                Err(error) => _ = missing.get_or_insert(error),
            }
        }
        Err(missing.unwrap_or(StoreError::NoneYet))
    }
}

/// Whether one of the newer files has the session too.
fn newer_has(newer: &[Connection], uuid: &str) -> bool {
    newer.iter().any(|file| find(file, uuid).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::open_to_write;

    #[test]
    fn a_session_in_two_files_is_listed_once_as_the_newer_has_it() {
        let scratch = tempfile::tempdir().unwrap();
        let insert = "INSERT INTO session (id, uuid, began_utc, began_utc_us, ended_us, machine, job, bench_text, program, first_row, last_row)
                      VALUES (?1, ?2, '2026-01-01T00:00:00Z', 0, 1, ?3, '', '', '0', 1, 0)";
        for (file, sessions) in [
            ("bayline.db", &[(1, "one-uuid", "loader 7"), (2, "two-uuid", "loader 7")][..]),
            ("bayline-2.db", &[(2, "two-uuid", "loader 7, moved"), (3, "three-uuid", "digger")]),
        ] {
            let (connection, _) = open_to_write(&scratch.path().join(file)).unwrap();
            for session in sessions {
                connection.execute(insert, *session).unwrap();
            }
        }
        let mut archive = Archive::open(&Folder::at(scratch.path())).unwrap();
        let listed: Vec<_> =
            archive.sessions().unwrap().into_iter().map(|session| (session.id, session.visit.machine)).collect();
        let expected = [(1, "loader 7"), (2, "loader 7, moved"), (3, "digger")];
        assert_eq!(listed, expected.map(|(id, machine)| (id, machine.to_owned())));
        assert_eq!(archive.find_text("DIGGER").unwrap().len(), 1);
        for (wanted, machine) in
            [("last", "digger"), ("2", "loader 7, moved"), ("1", "loader 7"), ("one-uuid", "loader 7")]
        {
            assert_eq!(archive.find(wanted).unwrap().1.visit.machine, machine, "{wanted}");
        }
        assert!(archive.find("9").is_err());
        // A file that can't be read is reported, and the others are listed.
        std::fs::write(scratch.path().join("bayline.db"), "no database".repeat(100)).unwrap();
        let mut archive = Archive::open(&Folder::at(scratch.path())).unwrap();
        assert_eq!((archive.sessions().unwrap().len(), archive.unreadable().len()), (2, 1));
    }
}
