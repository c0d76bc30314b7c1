//! The data folder and its lock: one daemon at a time.

use std::{
    fs::{self, DirBuilder, File, OpenOptions, TryLockError},
    io::{self, Read, Seek, Write},
    os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt},
    path::{Path, PathBuf},
};

use super::series::databases;

/// Where everything is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Folder(PathBuf);

/// The lock on a folder; released when this is dropped or the process ends.
#[derive(Debug)]
pub(crate) struct FolderLock {
    _file: File,
}

/// Why the folder can't be used.
#[derive(Debug, thiserror::Error)]
pub(crate) enum FolderError {
    /// It can't be made or written.
    #[error("the data folder {} can't be written: {}; choose another with --data", path.display(), crate::io_reason::IoReason(.source))]
    Unwritable {
        /// Which one.
        path: PathBuf,
        /// The system's message.
        source: io::Error,
    },
    /// Another daemon has it.
    #[error("{} is in use by another bayline (process {holder}); stop that one or choose another folder with --data", path.display())]
    InUse {
        /// Which one.
        path: PathBuf,
        /// Its process number, from the lock file.
        holder: String,
    },
}

impl Folder {
    /// The folder at a path; nothing is touched.
    pub(crate) fn at(path: &Path) -> Self {
        Self(path.to_owned())
    }

    /// The folder itself.
    pub(crate) fn path(&self) -> &Path {
        &self.0
    }

    /// The database in use: the newest, or the one that is going to be made.
    pub(crate) fn database(&self) -> PathBuf {
        self.databases().pop().unwrap_or_else(|| self.0.join("bayline.db"))
    }

    /// All databases, the oldest first: several where recording had to go on in a new file.
    pub(crate) fn databases(&self) -> Vec<PathBuf> {
        databases(&self.0)
    }

    /// Whether a path is a file of bayline's own here: a database with what belongs to it, its copies, socket and lock.
    pub(crate) fn owns(&self, path: &Path) -> bool {
        let same = |one: &Path, other: &Path| match (fs::metadata(one), fs::metadata(other)) {
            (Ok(one), Ok(other)) => (one.dev(), one.ino()) == (other.dev(), other.ino()),
            _ => false,
        };
        let entries = fs::read_dir(&self.0).into_iter().flatten().flatten();
        let own = entries.filter(|entry| entry.file_name().to_str().is_some_and(is_own_name));
        let is_one = own.map(|entry| entry.path()).any(|own| same(&own, path));
        // One that is not there now may be made any moment.
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        is_one || same(folder, &self.0) && path.file_name().and_then(|name| name.to_str()).is_some_and(is_own_name)
    }

    /// The control socket.
    pub(crate) fn socket(&self) -> PathBuf {
        self.0.join("control.sock")
    }

    /// Makes the folder where it is missing (for its owner alone) and takes the lock.
    pub(crate) fn lock(&self) -> Result<FolderLock, FolderError> {
        let unwritable = |source| FolderError::Unwritable { path: self.0.clone(), source };
        DirBuilder::new().recursive(true).mode(0o700).create(&self.0).map_err(unwritable)?;
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            .open(self.0.join("bayline.lock"))
            .map_err(unwritable)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                // The holder's number only makes the message better.
                let known = file.read_to_string(&mut holder).is_ok() && !holder.trim().is_empty();
                let holder = if known { holder.trim().to_owned() } else { "unknown".to_owned() };
                return Err(FolderError::InUse { path: self.0.clone(), holder });
            }
            Err(TryLockError::Error(source)) => return Err(unwritable(source)),
        }
        write_holder(&mut file).map_err(unwritable)?;
        Ok(FolderLock { _file: file })
    }
}

fn is_own_name(name: &str) -> bool {
    let of_database = name.strip_prefix("bayline").is_some_and(|rest| {
        let rest = rest.trim_start_matches(|character: char| character == '-' || character.is_ascii_digit());
        rest.starts_with(".db")
    });
    of_database || ["bayline.lock", "control.sock", "page-certificate.pem"].contains(&name)
}

fn write_holder(file: &mut File) -> io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    writeln!(file, "{}", std::process::id())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_holder_gets_an_error_that_names_the_first() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(&scratch.path().join("new"));
        let held = folder.lock().unwrap();
        let message = folder.lock().unwrap_err().to_string();
        assert!(message.contains(&format!("process {}", std::process::id())), "{message}");
        drop(held);
        folder.lock().unwrap();
    }

    #[test]
    fn its_own_files_are_known_by_any_name() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(scratch.path());
        let at = |name: &str| scratch.path().join(name);
        for name in ["bayline.db", "drive.csv"] {
            fs::write(at(name), "").unwrap();
        }
        std::os::unix::fs::symlink(at("bayline.db"), at("link.csv")).unwrap();
        for name in ["bayline.db", "bayline.db-wal", "bayline-2.db", "bayline.db.version-3", "control.sock", "link.csv"]
        {
            assert!(folder.owns(&at(name)), "{name}");
        }
        for name in ["drive.csv", "bayline.csv", "new.csv"] {
            assert!(!folder.owns(&at(name)), "{name}");
        }
    }
}
