//! The hash by which a copy of a session's samples is proved, kept block by block as they are written: a sheet hashes these hashes,
//! and reads no sample but the last few.
//!
//! A block is 65,536 samples in the order of arrival; its hash is the SHA-256 (FIPS 180-4) of its samples, each of 21 bytes: time in
//! µs since the session began (64 bits, signed), the place of its channel among the session's, counted from 0 (32 bits), its value
//! (64 bits, IEEE 754; infinite beyond the meter's range, 0x7ff8000000000000 where there is none), all with the lowest byte first,
//! and its verdict's number (8 bits; 255 for none). The hash of all samples is that of the hashes of their blocks one after the
//! other, 32 bytes each. This form never changes: sheets on paper rest on it.

use std::fmt::Write as _;

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use super::{
    StoreError,
    insert::{BEYOND_DOWN, BEYOND_UP, SampleRow},
    read::{SessionRow, channels, sample_rows},
};

/// Samples of a block.
const BLOCK: usize = 65_536;
/// So many samples are read at once.
const PART: i64 = 50_000;
/// A value that is none.
const NO_VALUE: u64 = 0x7ff8_0000_0000_0000;

/// A SHA-256.
type Hash = [u8; 32];

/// A block that is full.
#[derive(Debug, Clone, Copy, PartialEq)]
struct FullBlock {
    /// Counted from 0 over the session.
    number: i64,
    /// Rowid of its last sample.
    last_row: i64,
    hash: Hash,
}

/// Hashes the samples of one session as they come.
#[derive(Debug, Clone, Default)]
pub(super) struct SampleHasher {
    open: Sha256,
    /// Samples in the open block.
    count: usize,
    /// Full blocks so far.
    blocks: i64,
    /// channel.id by place. A channel is inserted with its first sample, so its number is higher than those before it.
    channels: Vec<i64>,
    full: Vec<FullBlock>,
}

impl SampleHasher {
    /// Goes on after so many blocks, with the channels that there are.
    fn after(blocks: i64, channels: Vec<i64>) -> Self {
        Self { blocks, channels, ..Self::default() }
    }

    /// Takes the next sample; it has this rowid.
    pub(super) fn push(&mut self, sample: &SampleRow, row: i64) {
        let known = self.channels.iter().position(|id| *id == sample.channel);
        let place = known.unwrap_or_else(|| {
            self.channels.push(sample.channel);
            self.channels.len() - 1
        });
        let value = match sample.value {
            Some(value) => value.to_bits(),
            None if sample.state & BEYOND_UP != 0 => f64::INFINITY.to_bits(),
            None if sample.state & BEYOND_DOWN != 0 => f64::NEG_INFINITY.to_bits(),
            None => NO_VALUE,
        };
        let mut bytes = [0; 21];
        bytes[..8].copy_from_slice(&sample.time_us.to_le_bytes());
        bytes[8..12].copy_from_slice(&(place as u32).to_le_bytes());
        bytes[12..20].copy_from_slice(&value.to_le_bytes());
        bytes[20] = sample.verdict.map_or(u8::MAX, |verdict| verdict.code());
        self.open.update(bytes);
        self.count += 1;
        if self.count == BLOCK {
            self.close(row);
        }
    }

    fn close(&mut self, last_row: i64) {
        let hash = self.open.finalize_reset().into();
        self.full.push(FullBlock { number: self.blocks, last_row, hash });
        self.blocks += 1;
        self.count = 0;
    }

    /// Writes what is full. A block that is there already stays: it was written as its samples came.
    pub(super) fn write(&mut self, connection: &Connection, session: i64) -> rusqlite::Result<()> {
        for block in self.full.drain(..) {
            let sql = "INSERT OR IGNORE INTO sample_hash (session, block, last_row, sha256) VALUES (?1, ?2, ?3, ?4)";
            connection.prepare_cached(sql)?.execute((
                session,
                block.number,
                block.last_row,
                hexadecimal(&block.hash),
            ))?;
        }
        Ok(())
    }
}

/// What a session's samples were proved to be.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ProvedSamples {
    /// SHA-256 of the samples as they are, in hexadecimal digits.
    pub sha256: String,
    /// Of what was kept as they were written; the same where nothing was changed.
    pub kept: String,
    /// The stretch of the first block that is not what was kept, µs; none where all are.
    pub first_changed_us: Option<(i64, i64)>,
}

/// SHA-256 of a session's samples in hexadecimal digits, by the blocks that are kept. Those that are not yet are read.
///
/// # Errors
/// The database can't be read.
pub(crate) fn samples_sha256(connection: &Connection, session: &SessionRow) -> Result<String, StoreError> {
    let mut blocks = kept_blocks(connection, session)?;
    let first = blocks.last().map_or(session.first_row, |block| block.last_row + 1);
    let mut hasher = SampleHasher::after(blocks.len() as i64, channel_ids(connection, session)?);
    hash_rows(connection, &mut hasher, first, session.last_row, |_| ())?;
    blocks.append(&mut hasher.full);
    Ok(hash_of(&blocks))
}

/// Reads every sample of a session, and compares it with what was kept. `progress` gets how many samples were read.
///
/// # Errors
/// The database can't be read.
pub(crate) fn prove_samples(
    connection: &Connection,
    session: &SessionRow,
    progress: impl FnMut(i64),
) -> Result<ProvedSamples, StoreError> {
    let mut hasher = SampleHasher::after(0, channel_ids(connection, session)?);
    hash_rows(connection, &mut hasher, session.first_row, session.last_row, progress)?;
    let mut kept = kept_blocks(connection, session)?;
    let changed = kept.iter().enumerate().find(|(index, block)| hasher.full.get(*index) != Some(*block));
    let first_changed_us = match changed {
        Some((index, block)) => {
            let before = index.checked_sub(1).map_or(session.first_row - 1, |before| kept[before].last_row);
            let sql = "SELECT MIN(time_us), MAX(time_us) FROM sample WHERE rowid BETWEEN ?1 AND ?2";
            let times: (Option<i64>, Option<i64>) = connection
                .prepare_cached(sql)?
                .query_row((before + 1, block.last_row), |row| Ok((row.get(0)?, row.get(1)?)))?;
            Some((times.0.unwrap_or(0), times.1.unwrap_or(0)))
        }
        None => None,
    };
    // Blocks that are not kept are what they are.
    kept.extend(hasher.full.iter().skip(kept.len()));
    Ok(ProvedSamples { sha256: hash_of(&hasher.full), kept: hash_of(&kept), first_changed_us })
}

/// Whether the blocks of a session are kept, but for as many samples at its end.
pub(super) fn is_hashed(connection: &Connection, session: &SessionRow, but: i64) -> Result<bool, StoreError> {
    let last = kept_blocks(connection, session)?.last().map_or(session.first_row - 1, |block| block.last_row);
    Ok(session.last_row - last <= but)
}

fn channel_ids(connection: &Connection, session: &SessionRow) -> Result<Vec<i64>, StoreError> {
    Ok(channels(connection, session.id)?.iter().map(|channel| channel.id).collect())
}

fn kept_blocks(connection: &Connection, session: &SessionRow) -> Result<Vec<FullBlock>, StoreError> {
    let sql = "SELECT block, last_row, sha256 FROM sample_hash WHERE session = ?1 ORDER BY block";
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map([session.id], |row| {
        let digits: String = row.get(2)?;
        Ok(FullBlock { number: row.get(0)?, last_row: row.get(1)?, hash: of_hexadecimal(&digits) })
    })?;
    let mut blocks: Vec<FullBlock> = rows.collect::<rusqlite::Result<_>>()?;
    // Those behind a missing one stand for nothing.
    let whole = blocks.iter().zip(0..).take_while(|(block, number)| block.number == *number).count();
    blocks.truncate(whole);
    Ok(blocks)
}

/// Hashes a range of rows; what is left at their end is a block of its own.
fn hash_rows(
    connection: &Connection,
    hasher: &mut SampleHasher,
    mut first: i64,
    last: i64,
    mut progress: impl FnMut(i64),
) -> Result<(), StoreError> {
    while first <= last {
        let rows = sample_rows(connection, first, last, PART)?;
        let Some((newest, _)) = rows.last() else { break };
        for (row, sample) in &rows {
            hasher.push(sample, *row);
        }
        first = newest + 1;
        progress(rows.len() as i64);
    }
    if hasher.count > 0 {
        hasher.close(last);
    }
    Ok(())
}

fn hash_of(blocks: &[FullBlock]) -> String {
    let mut all = Sha256::new();
    for block in blocks {
        all.update(block.hash);
    }
    hexadecimal(&all.finalize())
}

/// Bytes as lower-case digits.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut digits, byte| {
        write!(digits, "{byte:02x}").expect("a String takes it");
        digits
    })
}

/// The bytes of 64 digits; what is no digit was changed, and gives another hash.
fn of_hexadecimal(digits: &str) -> Hash {
    let mut hash = [0; 32];
    for (byte, pair) in hash.iter_mut().zip(digits.as_bytes().chunks_exact(2)) {
        *byte = std::str::from_utf8(pair).ok().and_then(|pair| u8::from_str_radix(pair, 16).ok()).unwrap_or(0);
    }
    hash
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::read::find;

    fn session(samples: i64) -> (Connection, SessionRow) {
        let connection = Connection::open_in_memory().unwrap();
        connection.execute_batch(include_str!("schema.sql")).unwrap();
        connection
            .execute_batch(
                "INSERT INTO session (id, uuid, began_utc, began_utc_us, machine, job, bench_text, program, first_row)
                     VALUES (1, 'one', '2026-01-01T00:00:00Z', 0, '', '', '', '0', 1);
                 INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
                     VALUES (7, 1, 'a', 'V DC', 'V', 'm', 'v1', '', ''), (9, 1, 'b', 'V DC', 'V', 'm', 'v2', '', '');",
            )
            .unwrap();
        let fill = "WITH RECURSIVE n (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?1)
                    INSERT INTO sample (time_us, channel, value, state, verdict)
                    SELECT i * 10000, 7 + i % 2 * 2, CASE WHEN i = 2 THEN NULL ELSE i * 0.1 END,
                        CASE WHEN i = 2 THEN 65536 END, CASE WHEN i % 3 = 0 THEN 1 END FROM n";
        connection.execute(fill, [samples]).unwrap();
        let session = find(&connection, "1").unwrap();
        (connection, session)
    }

    #[test]
    fn the_form_is_what_it_was() {
        // Calculated with Python's struct and hashlib from the description at the head of this file:
        // b = b''.join(pack('<qId', t, c, v) + bytes([d]) for t, c, v, d in rows); sha256(sha256(b).digest()).
        let (connection, session) = session(4);
        let sha256 = samples_sha256(&connection, &session).unwrap();
        assert_eq!(sha256, "8a24d2342268346422ba5d40801ea7dfce1c54cefde999929c9a7c7046eac5af");
        // FIPS 180-4: no bytes at all; from memory.
        connection.execute("DELETE FROM sample", []).unwrap();
        let empty = find(&connection, "1").unwrap();
        assert_eq!(
            samples_sha256(&connection, &empty).unwrap(),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
    }

    #[test]
    fn blocks_that_are_kept_stand_for_their_samples_and_a_change_is_found() {
        let (connection, session) = session(3 * BLOCK as i64 / 2 + 5);
        let all = samples_sha256(&connection, &session).unwrap();
        let mut hasher = SampleHasher::default();
        for (row, sample) in sample_rows(&connection, 1, session.last_row, i64::MAX).unwrap() {
            hasher.push(&sample, row);
        }
        hasher.write(&connection, session.id).unwrap();
        assert_eq!(kept_blocks(&connection, &session).unwrap().len(), 1);
        assert_eq!(samples_sha256(&connection, &session).unwrap(), all);
        let proved = prove_samples(&connection, &session, |_| ()).unwrap();
        assert_eq!(proved, ProvedSamples { sha256: all.clone(), kept: all.clone(), first_changed_us: None });
        // One value is changed by another program.
        connection.execute("UPDATE sample SET value = value + 1e-9 WHERE rowid = 1000", []).unwrap();
        let proved = prove_samples(&connection, &session, |_| ()).unwrap();
        assert_eq!((&proved.kept, proved.first_changed_us), (&all, Some((0, 655_350_000))));
        assert_ne!(proved.sha256, all);
        assert_eq!(samples_sha256(&connection, &session).unwrap(), all, "the sheet tells what was recorded");
    }
}
