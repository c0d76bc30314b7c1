//! Opens a port of any kind.

use std::io;

use super::{Address, Port, Settings, child::Child, hid::Hid, keys::Keys, replay::Replay, serial::Serial, tcp::Tcp};

/// Opens a port.
///
/// # Errors
/// It is not there, not ours to open, held by another program, or does not take the settings.
pub(crate) fn open(address: &Address, settings: &Settings) -> io::Result<Box<dyn Port>> {
    Ok(match address {
        Address::Serial(path) => Box::new(Serial::open(path, settings)?),
        Address::Tcp { host, port } => Box::new(Tcp::open(host, *port)?),
        Address::Exec { program, arguments } => Box::new(Child::start(program, arguments)?),
        Address::File { path, pace } => Box::new(Replay::open(path, *pace)?),
        Address::Keys(path) => Box::new(Keys::open(path)?),
        Address::Hid(path) => Box::new(Hid::open(path, settings)?),
    })
}
