//! Bytes in, stamped with the time they arrived; lost and found again.
//!
//! Each port has a thread of its own that opens it, reads it and, when it goes away, tries again
//! until it is back. Nothing here knows what the bytes mean.
//!
//! Read `address.rs` and `settings.rs` first (what a person writes), then `connection.rs` (what every open port can do), then
//! its kinds: `serial.rs`, `tcp.rs`, `hid.rs` with `cable.rs`, `keys.rs`, `child.rs` and `replay.rs`. `open.rs` chooses the kind;
//! `reader.rs` is the thread that reads a port, `converse.rs` a short exchange with one. `capture.rs` is the format of
//! recorded bytes, `list.rs` lists the devices that are plugged in.

mod address;
mod command_line;
mod settings;

mod connection;

mod cable;
mod child;
mod hid;
mod holder;
mod ioctl;
mod keys;
mod replay;
mod serial;
mod tcp;
mod wait;

mod converse;
mod open;
mod reader;

mod capture;
mod list;

pub(crate) use address::{Address, AddressError, Pace};
pub(crate) use cable::{Greeting, HidCable, LONGEST_REPORT, Outgoing, Payload, ShortReport};
pub(crate) use capture::{CaptureReader, CaptureWriter, Recorded};
pub(crate) use connection::{LONGEST_READ_WAIT, Port, ReadOutcome};
pub(crate) use converse::{Conversation, converse};
pub(crate) use list::{Device, DeviceKind, Roots, plugged_in};
pub(crate) use open::open;
pub(crate) use reader::{Listener, Stop, read_until_stopped};
pub(crate) use settings::{Baud, DataBits, Flow, Level, Parity, Settings, StopBits};
