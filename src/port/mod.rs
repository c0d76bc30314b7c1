//! Bytes in, stamped with the time they arrived; lost and found again.
//!
//! Each port has a thread of its own that opens it, reads it and, when it goes away, tries again
//! until it is back. Nothing here knows what the bytes mean.

mod address;
mod open;
mod reader;

pub use address::{Address, AddressError, Settings};
pub use open::{Heard, Port, open};
pub use reader::{Listener, Stop, read_until_stopped};
