//! The files of photos, beside the database: each has the hash of its content as its name.

use std::{
    fs::{self, DirBuilder, File, OpenOptions},
    io::{self, Write},
    os::unix::fs::{DirBuilderExt, OpenOptionsExt},
    path::{Path, PathBuf},
};

use super::{PreparedPhoto, small};
use crate::session::PhotoHash;

/// The folder of photos in a data folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PhotoFolder(PathBuf);

/// Whether a photo's file was made or had been there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PhotoKept {
    /// It is new.
    New,
    /// The same photo was kept before.
    Before,
}

impl PhotoFolder {
    /// That of a data folder; nothing is touched.
    pub(crate) fn of(data_folder: &Path) -> Self {
        Self(data_folder.join("photos"))
    }

    fn path(&self, hash: &PhotoHash) -> PathBuf {
        self.0.join(format!("{hash}.jpg"))
    }

    /// Writes a photo, for its owner alone; once this returns it is on disk.
    ///
    /// # Errors
    /// The folder can't be written.
    pub(crate) fn save(&self, prepared: &PreparedPhoto) -> io::Result<PhotoKept> {
        let path = self.path(&prepared.photo.hash);
        if fs::metadata(&path).is_ok_and(|file| file.len() == prepared.photo.bytes) {
            return Ok(PhotoKept::Before);
        }
        DirBuilder::new().recursive(true).mode(0o700).create(&self.0)?;
        // Under another name first: nobody finds half of it.
        let part = self.0.join(format!("{}.part-{}", prepared.photo.hash, std::process::id()));
        let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&part)?;
        let written = file.write_all(&prepared.jpeg).and_then(|()| file.sync_all());
        if let Err(error) = written.and_then(|()| fs::rename(&part, &path)) {
            // Half a file is of no use; the first error is the one to report.
            drop(fs::remove_file(&part));
            return Err(error);
        }
        File::open(&self.0)?.sync_all()?;
        Ok(PhotoKept::New)
    }

    /// Removes the file of a photo that was not taken into any record.
    pub(crate) fn forget(&self, hash: &PhotoHash) {
        if let Err(error) = fs::remove_file(self.path(hash)) {
            tracing::debug!("the photo {hash} could not be removed: {}", crate::io_reason::IoReason(&error));
        }
    }

    /// The file of a photo.
    ///
    /// # Errors
    /// It is not there or can't be read.
    pub(crate) fn read(&self, hash: &PhotoHash) -> io::Result<Vec<u8>> {
        fs::read(self.path(hash))
    }

    /// The photo as small as a sheet needs it.
    ///
    /// # Errors
    /// Its file is not there, or damaged.
    pub(crate) fn read_small(&self, hash: &PhotoHash) -> io::Result<Vec<u8>> {
        small(&self.read(hash)?).map_err(io::Error::other)
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn a_photo_is_kept_once_for_its_owner_alone() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = PhotoFolder::of(scratch.path());
        let mut bytes = io::Cursor::new(Vec::new());
        image::DynamicImage::new_rgb8(8, 6).write_to(&mut bytes, image::ImageFormat::Png).unwrap();
        let prepared = super::super::redrawn(&bytes.into_inner(), "").unwrap();
        assert_eq!(folder.save(&prepared).unwrap(), PhotoKept::New);
        assert_eq!(folder.save(&prepared).unwrap(), PhotoKept::Before);
        let hash = &prepared.photo.hash;
        assert_eq!(folder.read(hash).unwrap(), prepared.jpeg);
        assert!(!folder.read_small(hash).unwrap().is_empty());
        assert_eq!(folder.path(hash).metadata().unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(folder.path(hash).parent().unwrap().metadata().unwrap().permissions().mode() & 0o777, 0o700);
        folder.forget(hash);
        assert_eq!(folder.read(hash).unwrap_err().kind(), io::ErrorKind::NotFound);
    }
}
