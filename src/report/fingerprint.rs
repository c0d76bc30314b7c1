//! The fingerprint of a session's data, by which a printed sheet or a copy of the database is proved.

use std::io::{self, Write};

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use crate::{
    export::{CsvStyle, ExportError, long, session_json},
    store::read::{SessionRow, TimeStretch},
};

/// SHA-256 (FIPS 180-4) in hexadecimal digits of `session.json` followed by `samples.csv`, as `export --folder` writes them:
/// `cat session.json samples.csv | sha256sum` gives the same.
pub(super) fn fingerprint(connection: &Connection, session: &SessionRow) -> Result<String, ExportError> {
    let mut hash = HashWriter(Sha256::new());
    session_json(connection, session, &mut hash)?;
    long(connection, session, TimeStretch::ALL, CsvStyle::default(), &mut hash, || ())?;
    Ok(hash.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
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
        let digits: String = hash.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(digits, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
