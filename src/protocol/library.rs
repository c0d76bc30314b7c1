//! Where protocols are found: in the user's folders first, then among those that are built in.

use std::{
    fs, io,
    path::{Path, PathBuf},
    sync::Arc,
};

use super::{Protocol, Traffic};
use crate::{mistake::Mistake, port::HidCable, text_file};

/// Every file of `protocols/`, built in.
macro_rules! built_in {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../protocols/", $name, ".toml")))),*]
    };
}
const BUILT_IN: &[(&str, &str)] = built_in![
    "clamp-scans",
    "columns",
    "columns-ms",
    "columns-numbered",
    "columns-s",
    "columns-us",
    "j1979-text",
    "json",
    "json-numbered",
    "lcd-mirror-14",
    "nmea-0183",
    "number",
    "pairs",
    "pairs-numbered",
    "report-11",
    "report-14",
    "report-14-sign",
    "scpi",
    "text-14",
    "text-14-polled",
];

/// A protocol that can't be loaded.
#[derive(Debug, thiserror::Error)]
pub enum LibraryError {
    /// There is none of this name.
    #[error("there is no protocol \"{name}\"; there are {}", known.join(", "))]
    Missing {
        /// The name that was asked for.
        name: String,
        /// The names that exist.
        known: Vec<String>,
    },
    /// A file or folder can't be read.
    #[error("{} can't be read: {}", path.display(), crate::io_reason::IoReason(.source))]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Its file has no `[hid]`.
    #[error("protocol \"{name}\" has no [hid]; those that have: {}", known.join(", "))]
    NoCable {
        /// What was asked for.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// A file has a mistake.
    #[error(transparent)]
    Mistake(#[from] Mistake),
}

/// A protocol as a list shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedProtocol {
    /// Its name.
    pub name: String,
    /// What sends such frames.
    pub about: String,
    /// Where its facts come from.
    pub source: String,
    /// Whether the meter sends by itself.
    pub traffic: Traffic,
    /// It describes a HID cable.
    pub has_cable: bool,
    /// The file it is in; none where it is built in.
    pub file: Option<PathBuf>,
}

/// The protocols that are available.
#[derive(Debug, Clone, Default)]
pub struct Library {
    folders: Vec<PathBuf>,
}

impl Library {
    /// Looks in these folders, in this order, before what is built in. A folder need not exist.
    pub fn new(folders: Vec<PathBuf>) -> Self {
        Self { folders }
    }

    /// The protocol of this name.
    ///
    /// # Errors
    /// There is none, or its file can't be read or has a mistake.
    pub fn find(&self, name: &str) -> Result<Arc<Protocol>, LibraryError> {
        // A name is no path: it never leads out of the folders.
        if !name.is_empty() && !name.contains(['/', '\\', '\0']) && !name.starts_with('.') {
            for folder in &self.folders {
                let path = folder.join(format!("{name}.toml"));
                match text_file::read(&path) {
                    Ok(text) => return Self::from_file(&path, &text),
                    Err(error) if is_absent(&error) => {}
                    Err(source) => return Err(LibraryError::Unreadable { path, source }),
                }
            }
        }
        match BUILT_IN.iter().find(|(known, _)| *known == name) {
            Some((name, text)) => Ok(Arc::new(built_in(name, text)?)),
            None => {
                let known = self.all().0.into_iter().map(|listed| listed.name).collect();
                Err(LibraryError::Missing { name: name.to_owned(), known })
            }
        }
    }

    /// The HID cable that the protocol of this name describes.
    ///
    /// # Errors
    /// As of [`find`](Self::find), or it describes none.
    pub fn cable(&self, name: &str) -> Result<HidCable, LibraryError> {
        self.find(name)?
            .hid
            .clone()
            .ok_or_else(|| LibraryError::NoCable { name: name.to_owned(), known: self.cables() })
    }

    /// The names of the protocols that describe a HID cable.
    pub fn cables(&self) -> Vec<String> {
        self.all().0.into_iter().filter(|listed| listed.has_cable).map(|listed| listed.name).collect()
    }

    /// Every protocol by name, the one that [`find`](Self::find) would give, and what could not be
    /// read.
    pub fn all(&self) -> (Vec<ListedProtocol>, Vec<LibraryError>) {
        let (mut listed, mut errors) = (Vec::<ListedProtocol>::new(), Vec::new());
        let mut add = |protocol: Result<Arc<Protocol>, LibraryError>, file: Option<PathBuf>| match protocol {
            Ok(protocol) if listed.iter().any(|known| known.name == protocol.name) => {}
            Ok(protocol) => listed.push(ListedProtocol {
                name: protocol.name.clone(),
                about: protocol.about.clone(),
                source: protocol.source.clone(),
                traffic: protocol.traffic(),
                has_cable: protocol.hid.is_some(),
                file,
            }),
            Err(error) => errors.push(error),
        };
        for folder in &self.folders {
            match files_in(folder) {
                Ok(paths) => {
                    for path in paths {
                        add(Self::read(&path), Some(path));
                    }
                }
                Err(error) if is_absent(&error) => {}
                Err(source) => add(Err(LibraryError::Unreadable { path: folder.clone(), source }), None),
            }
        }
        for (name, text) in BUILT_IN {
            add(built_in(name, text).map(Arc::new).map_err(LibraryError::from), None);
        }
        listed.sort_by(|one, other| one.name.cmp(&other.name));
        (listed, errors)
    }

    /// The protocol of a file, wherever it lies.
    ///
    /// # Errors
    /// It can't be read, has a mistake, or another name than its file.
    pub fn read(path: &Path) -> Result<Arc<Protocol>, LibraryError> {
        let text =
            text_file::read(path).map_err(|source| LibraryError::Unreadable { path: path.to_owned(), source })?;
        Self::from_file(path, &text)
    }

    fn from_file(path: &Path, text: &str) -> Result<Arc<Protocol>, LibraryError> {
        let origin = path.display().to_string();
        let protocol = Protocol::parse(&origin, text)?;
        let file_name = path.file_stem().unwrap_or_default().to_string_lossy();
        if protocol.name != file_name {
            let at = text.find(&protocol.name).unwrap_or(0);
            let message = format!("found the name \"{}\", expected \"{file_name}\" as the file's", protocol.name);
            return Err(Mistake::at(&origin, text, at..at, message).into());
        }
        Ok(Arc::new(protocol))
    }
}

fn built_in(name: &str, text: &str) -> Result<Protocol, Mistake> {
    Protocol::parse(&format!("protocols/{name}.toml (built in)"), text)
}

fn files_in(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let paths = fs::read_dir(folder)?.map(|entry| entry.map(|entry| entry.path())).collect::<io::Result<Vec<_>>>()?;
    let mut files: Vec<_> =
        paths.into_iter().filter(|path| path.extension().is_some_and(|end| end == "toml")).collect();
    files.sort();
    Ok(files)
}

fn is_absent(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory)
}
