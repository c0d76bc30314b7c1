//! Reads the text files that people write, up to a greatest size: `/dev/zero` and a film have no end worth waiting for.

use std::{
    fs::File,
    io::{self, Read},
    path::Path,
};

/// The longest file, bytes: some two thousand steps with all their keys. A procedure travels in one request, escaped.
pub(crate) const LONGEST: u64 = 512 << 10;

/// All of a text file.
///
/// # Errors
/// It can't be read, is no text in UTF-8, or is longer than [`LONGEST`].
pub(crate) fn read(path: &Path) -> io::Result<String> {
    let mut bytes = Vec::new();
    File::open(path)?.take(LONGEST + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LONGEST {
        let message = format!("it is longer than {} KiB; check that it is the right file", LONGEST >> 10);
        return Err(io::Error::other(message));
    }
    String::from_utf8(bytes).map_err(|_| io::ErrorKind::InvalidData.into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::io_reason::IoReason;

    #[test]
    fn a_file_without_an_end_is_refused() {
        let refused = read(Path::new("/dev/zero")).unwrap_err();
        assert_eq!(IoReason(&refused).to_string(), "it is longer than 512 KiB; check that it is the right file");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("p.toml");
        let longest = "x".repeat(LONGEST as usize);
        std::fs::write(&path, &longest).unwrap();
        assert_eq!(read(&path).unwrap(), longest);
        std::fs::write(&path, [0xff, 0xfe]).unwrap();
        assert_eq!(read(&path).unwrap_err().kind(), io::ErrorKind::InvalidData);
        assert_eq!(read(folder.path()).unwrap_err().kind(), io::ErrorKind::IsADirectory);
    }
}
