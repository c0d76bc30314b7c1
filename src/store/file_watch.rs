//! Whether the database is still the file that was opened: a commit to a file without a name is kept by nobody.

use std::{
    fmt, fs,
    io::{self, ErrorKind},
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
};

use super::fault::with_ending;

/// What is remembered of a database and of its log.
#[derive(Debug)]
pub(super) struct FileWatch {
    database: WatchedFile,
    log: WatchedFile,
    index: WatchedFile,
}

/// What happened to the files of a database.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FileChange {
    /// It is no longer there.
    Gone,
    /// Another file has its name.
    Replaced,
    /// Its log is no longer there, or is another one.
    LogGone,
    /// It or its log is shorter than what was written: cut off, or put in order by another program.
    Shorter,
}

impl fmt::Display for FileChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Gone => "it was moved or deleted while bayline was writing to it",
            Self::Replaced => "another file was put in its place while bayline was writing to it",
            Self::LogGone => "its log (the file whose name ends in -wal or -shm) was moved or deleted while bayline was writing to it",
            Self::Shorter => "it was cut off while bayline was writing to it",
        })
    }
}

#[derive(Debug)]
struct WatchedFile {
    path: PathBuf,
    /// Device and inode; none while it has not been seen.
    identity: Option<(u64, u64)>,
    size: u64,
}

impl WatchedFile {
    fn look(&self) -> io::Result<((u64, u64), u64)> {
        let file = fs::metadata(&self.path)?;
        Ok(((file.dev(), file.ino()), file.len()))
    }

    fn remember(&mut self) {
        if let Ok((identity, size)) = self.look() {
            (self.identity, self.size) = (Some(identity), size);
        }
    }

    /// None where nothing happened, or where the system does not say.
    fn change(&self) -> Option<FileChange> {
        let known = self.identity?;
        match self.look() {
            Ok((identity, _)) if identity != known => Some(FileChange::Replaced),
            Ok((_, size)) if size < self.size => Some(FileChange::Shorter),
            Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
                Some(FileChange::Gone)
            }
            Ok(_) | Err(_) => None,
        }
    }
}

impl FileWatch {
    /// Watches the database of this path, which is open.
    pub(super) fn new(path: &Path) -> Self {
        let file = |ending| WatchedFile { path: with_ending(path, ending), identity: None, size: 0 };
        let mut watch = Self { database: file(""), log: file("-wal"), index: file("-shm") };
        watch.remember();
        watch
    }

    /// Remembers the files as they are now, where a commit has just left them.
    pub(super) fn remember(&mut self) {
        self.database.remember();
        self.log.remember();
        self.index.remember();
        // Another program that opens the database may give its index another size.
        self.index.size = 0;
    }

    /// What happened since; none where nothing did.
    pub(super) fn change(&self) -> Option<FileChange> {
        let of_log = |change| match change {
            FileChange::Shorter => FileChange::Shorter,
            _ => FileChange::LogGone,
        };
        let log = || self.log.change().or_else(|| self.index.change()).map(of_log);
        self.database.change().or_else(log)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files() -> (tempfile::TempDir, PathBuf, FileWatch) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        for ending in ["", "-wal", "-shm"] {
            fs::write(with_ending(&path, ending), "ten bytes.").unwrap();
        }
        let watch = FileWatch::new(&path);
        (folder, path, watch)
    }

    #[test]
    fn each_change_is_noticed() {
        type Change = fn(&Path) -> io::Result<()>;
        let changes: [(Change, Option<FileChange>); 8] = [
            (|_| Ok(()), None),
            (|path| fs::write(path, "more than ten bytes"), None),
            (|path| fs::remove_file(path), Some(FileChange::Gone)),
            (|path| fs::rename(path, path.with_extension("old")), Some(FileChange::Gone)),
            (|path| fs::write(path, "nine byte"), Some(FileChange::Shorter)),
            (|path| fs::write(with_ending(path, "-wal"), ""), Some(FileChange::Shorter)),
            (|path| fs::remove_file(with_ending(path, "-wal")), Some(FileChange::LogGone)),
            (|path| fs::remove_file(with_ending(path, "-shm")), Some(FileChange::LogGone)),
        ];
        for (count, (change, expected)) in changes.into_iter().enumerate() {
            let (_folder, path, watch) = files();
            change(&path).unwrap();
            assert_eq!(watch.change(), expected, "{count}");
        }
        let (folder, path, mut watch) = files();
        fs::write(folder.path().join("other"), "as long as it").unwrap();
        fs::rename(folder.path().join("other"), &path).unwrap();
        assert_eq!(watch.change(), Some(FileChange::Replaced));
        watch.remember();
        assert_eq!(watch.change(), None);
    }
}
