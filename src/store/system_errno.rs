//! What the system answered to SQLite: the one call of SQLite for which there is no safe wrapper.

use rusqlite::{Connection, ffi};

/// The number of the system's error behind the connection's last I/O error; 0 where there was none.
pub(super) fn system_errno(connection: &Connection) -> i32 {
    // SAFETY: the handle is that of an open connection, which lives as long as the reference; the call reads one
    // number of it, and no other thread uses the connection.
    unsafe { ffi::sqlite3_system_errno(connection.handle()) }
}
