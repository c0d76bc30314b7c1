//! Files of the user's own by name: the one place where a name from the page becomes a path.

use std::{
    fs, io,
    io::Write,
    path::{Path, PathBuf},
    str::FromStr,
};

use crate::{text_file, words::from_text};

/// The longest name, characters.
const LONGEST: usize = 60;
/// Files of a kind that are listed.
const MOST_FILES: usize = 1000;

/// A name without anything that means something in a path: letters, digits, blanks, `-` and `_`, with a letter or digit first.
#[derive(Debug, Clone, PartialEq, Eq, utoipa::ToSchema)]
#[schema(value_type = String)]
pub(crate) struct FileName(String);

/// A name that no file gets.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" can't be the name of a file here; use letters, digits, blanks and dashes, a letter or digit first, {LONGEST} characters at most"
)]
pub(crate) struct FileNameError(String);

impl FileName {
    /// As it was given.
    pub(crate) fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for FileName {
    type Err = FileNameError;

    fn from_str(text: &str) -> Result<Self, FileNameError> {
        let name = text.trim();
        let allowed = |character: char| character.is_alphanumeric() || matches!(character, ' ' | '-' | '_');
        let is_name = name.starts_with(char::is_alphanumeric)
            && name.chars().all(allowed)
            && name.chars().count() <= LONGEST
            // The system's limit is 255 bytes, with the ending.
            && name.len() <= 240;
        if is_name { Ok(Self(name.to_owned())) } else { Err(FileNameError(text.to_owned())) }
    }
}

from_text!(FileName);

/// What the files of a folder are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FilesOf {
    /// Bench files.
    Benches,
    /// Procedure files.
    Procedures,
}

impl FilesOf {
    const fn folder(self) -> &'static str {
        match self {
            Self::Benches => "benches",
            Self::Procedures => "procedures",
        }
    }
}

/// The folder of the user's settings; none where the user has no home.
#[derive(Debug, Clone)]
pub(crate) struct ConfigFolder(Option<PathBuf>);

impl ConfigFolder {
    /// At this path.
    pub(crate) fn at(path: Option<&Path>) -> Self {
        Self(path.map(Path::to_owned))
    }

    /// Where a file of this name is.
    pub(crate) fn path(&self, of: FilesOf, name: &FileName) -> io::Result<PathBuf> {
        let folder = self.0.as_ref().ok_or_else(|| io::Error::other("you have no home folder to keep files in"))?;
        Ok(folder.join(of.folder()).join(format!("{}.toml", name.as_str())))
    }

    /// The names of all files, sorted. A folder that is not there has none.
    pub(crate) fn list(&self, of: FilesOf) -> Vec<FileName> {
        let Some(folder) = self.0.as_ref().map(|folder| folder.join(of.folder())) else { return Vec::new() };
        let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
        let named =
            entries.flatten().filter_map(|entry| entry.file_name().to_str()?.strip_suffix(".toml")?.parse().ok());
        let mut names: Vec<FileName> = named.take(MOST_FILES).collect();
        names.sort_by(|one, other| one.0.cmp(&other.0));
        names
    }

    /// The text of a file.
    ///
    /// # Errors
    /// It is not there or can't be read.
    pub(crate) fn read(&self, of: FilesOf, name: &FileName) -> io::Result<String> {
        text_file::read(&self.path(of, name)?)
    }

    /// Writes a file, whole or not at all. A file of this name stays unless it is to be replaced.
    ///
    /// # Errors
    /// There is one already, or it can't be written.
    pub(crate) fn write(&self, of: FilesOf, name: &FileName, text: &str, replace: bool) -> io::Result<PathBuf> {
        let path = self.path(of, name)?;
        if path.exists() && !replace {
            let message = format!("there is a file \"{}\" already; give another name, or replace it", name.as_str());
            return Err(io::Error::other(message));
        }
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder)?;
        let part = folder.join(format!(".{}.part", name.as_str()));
        let mut file = fs::File::create(&part)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        fs::rename(&part, &path)?;
        Ok(path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_never_leaves_its_folder() {
        let long = "x".repeat(61);
        let bad = [
            "",
            " ",
            "..",
            ".",
            "../bench",
            "a/b",
            "a\\b",
            "/etc/passwd",
            "a.toml",
            "-a",
            "_a",
            "a\0b",
            "a\nb",
            "%2e%2e",
            "C:x",
            &long,
        ];
        for name in bad {
            assert!(name.parse::<FileName>().is_err(), "{name:?}");
        }
        for name in ["bench", "Radlader Süd 7", " loader-7 ", "7"] {
            assert_eq!(name.parse::<FileName>().unwrap().as_str(), name.trim());
        }
    }

    #[test]
    fn a_file_is_written_whole_and_not_over_another() {
        let home = tempfile::tempdir().unwrap();
        let files = ConfigFolder::at(Some(home.path()));
        let name: FileName = "bay 2".parse().unwrap();
        assert!(files.list(FilesOf::Benches).is_empty());
        let path = files.write(FilesOf::Benches, &name, "one", false).unwrap();
        assert_eq!(path, home.path().join("benches/bay 2.toml"));
        assert!(files.write(FilesOf::Benches, &name, "two", false).is_err());
        assert_eq!(files.read(FilesOf::Benches, &name).unwrap(), "one");
        files.write(FilesOf::Benches, &name, "two", true).unwrap();
        assert_eq!(files.read(FilesOf::Benches, &name).unwrap(), "two");
        assert_eq!(files.list(FilesOf::Benches), [name]);
        assert!(files.list(FilesOf::Procedures).is_empty());
        assert!(ConfigFolder::at(None).list(FilesOf::Benches).is_empty());
    }
}
