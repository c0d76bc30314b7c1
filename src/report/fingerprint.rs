//! The fingerprints of a session, by which a printed sheet or a copy of the database is proved.

use std::io::{self, Write};

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use crate::{
    export::{ExportError, session_json},
    store::{hexadecimal, read::SessionRow, samples_sha256},
};

/// Two hashes in hexadecimal digits, each SHA-256 (FIPS 180-4).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fingerprint {
    /// Of `session.json` as `export --folder` writes it: visit, steps, captures, findings, corrections and all that was found.
    pub record: String,
    /// Of all samples, as they were recorded: time, channel, value and verdict of each.
    pub samples: String,
}

impl Fingerprint {
    /// Of a session; its samples by the hashes that were kept as they were written.
    ///
    /// # Errors
    /// The database can't be read.
    pub(crate) fn of(connection: &Connection, session: &SessionRow) -> Result<Self, ExportError> {
        let record = record_sha256(connection, session)?;
        Ok(Self { record, samples: samples_sha256(connection, session)? })
    }
}

/// SHA-256 of `session.json`: `sha256sum session.json` gives the same.
pub(crate) fn record_sha256(connection: &Connection, session: &SessionRow) -> Result<String, ExportError> {
    let mut hash = HashWriter(Sha256::new());
    session_json(connection, session, &mut hash)?;
    Ok(hexadecimal(&hash.0.finalize()))
}

/// Hashes what is written to it.
struct HashWriter(Sha256);

impl Write for HashWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_hashed() {
        // FIPS 180-4 example, "abc"; from memory.
        let mut hash = HashWriter(Sha256::new());
        for part in ["a", "", "bc"] {
            hash.write_all(part.as_bytes()).unwrap();
        }
        let digits = hexadecimal(&hash.0.finalize());
        assert_eq!(digits, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
