//! Bytes in, stamped with the time they arrived; lost and found again.
//!
//! Each port has a thread of its own that opens it, reads it and, when it goes away, tries again
//! until it is back. Nothing here knows what the bytes mean. Start at [`Address`] for what there
//! is, at [`read_until_stopped`] for how a port lives.

mod address;
mod settings;
mod words;

mod open;
mod reader;

mod child;
mod hid;
mod replay;
mod serial;
mod tcp;

mod cable;
mod capture;
mod ioctl;
mod list;
mod listen;
mod wait;

pub(crate) use address::{Address, AddressError, Pace};
pub(crate) use cable::{Greeting, HidCable, LONGEST_REPORT, Outgoing, Payload, ShortReport};
pub(crate) use capture::{CaptureReader, CaptureWriter, Recorded};
pub(crate) use list::{Plugged, PluggedKind, Roots, plugged_in};
pub(crate) use listen::{Asker, listen};
pub(crate) use open::{Heard, PATIENCE, Port, open};
pub(crate) use reader::{Listener, Stop, read_until_stopped};
pub(crate) use settings::{DataBits, Flow, Level, Parity, Settings, StopBits};
