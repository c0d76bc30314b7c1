//! The photos of a session. A record here is the row of its table and its JSON.

use rusqlite::Connection;
use serde::{Deserialize, Serialize};

use super::seconds;
use crate::{
    session::PhotoHash,
    store::{StoreError, record::records},
};

/// One row of the table `photo` that counts. It differs from what the core keeps: it has a number and a time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct PhotoRow {
    /// Its number on the database.
    #[serde(rename = "number", alias = "id")]
    pub id: i64,
    /// Since the session began: µs in the row, s in JSON.
    #[serde(rename = "at_s", alias = "at_us", serialize_with = "seconds::of")]
    #[schema(value_type = f64)]
    pub at_us: i64,
    /// Of its file.
    pub hash: PhotoHash,
    /// Pixels from left to right.
    pub width: u32,
    /// Pixels from top to bottom.
    pub height: u32,
    /// Size of its file.
    pub bytes: u64,
    /// What it shows; empty where not told.
    pub text: String,
}

/// The photos of a session that were not undone, oldest first.
pub(crate) fn photos(connection: &Connection, session: i64) -> Result<Vec<PhotoRow>, StoreError> {
    records(connection, "SELECT * FROM photo WHERE session = ?1 AND undone_us IS NULL ORDER BY id", [session])
}
