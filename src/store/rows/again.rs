//! An open session is written once more, into another database.

use rusqlite::Connection;

use super::{RowWriter, single::channel_row};
use crate::{session::Record, units::Quantity};

impl RowWriter {
    /// Writes the open session into a new database, with the same numbers: all but its samples. `log` are its records,
    /// each with the rowid of the next sample at that time. Returns the state in which writing goes on there, and how
    /// many records the database did not take.
    pub(in crate::store) fn write_again(
        &self,
        connection: &Connection,
        log: &[(i64, Record)],
    ) -> rusqlite::Result<(Self, u64)> {
        let mut again = Self {
            last_session: self.session().map_or(self.last_session, |session| session - 1),
            pending: Vec::new(),
            session: None,
            rows: Vec::new(),
            ..self.clone()
        };
        let mut refused = 0;
        for (next_row, record) in log {
            again.next_row = *next_row;
            match again.apply(connection, record) {
                Ok(()) => {}
                Err(error) if is_of_content(&error) => refused += 1,
                Err(error) => return Err(error),
            }
            if let (Record::SessionBegan(..), Some(session)) = (record, again.session()) {
                again.channels_again(connection, session, &self.rows)?;
            }
        }
        // Those of what was written before are gone with the old file: the session is rolled up and hashed with its first plot.
        let (next_row, last_session) = (self.next_row, self.last_session);
        Ok((Self { next_row, last_session, rollups: None, hashes: None, ..again }, refused))
    }

    /// Writes the rows of channels with the numbers that they had.
    fn channels_again(
        &mut self,
        connection: &Connection,
        session: i64,
        rows: &[Vec<(Quantity, i64)>],
    ) -> rusqlite::Result<()> {
        for (channel, rows) in self.channels.iter().zip(rows) {
            let Some(channel) = channel else { continue };
            for (quantity, row) in rows {
                channel_row(connection, session, channel, *quantity, Some(*row))?;
            }
        }
        self.rows = rows.to_vec();
        Ok(())
    }
}

/// Whether an error is of what is written, and not of where it is written to: trying again does not help.
pub(in crate::store) fn is_of_content(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{ConstraintViolation, TooBig, TypeMismatch};
    match error.sqlite_error() {
        None => true,
        Some(error) => matches!(error.code, ConstraintViolation | TooBig | TypeMismatch),
    }
}
