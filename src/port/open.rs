//! Opening a port and reading from it without ever waiting long.

use std::{
    io::{self, Read},
    net::{TcpStream, ToSocketAddrs},
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
    time::Duration,
};

use serialport::TTYPort;

use super::{Address, Settings};

/// The longest that a read waits: it bounds how soon a reader notices that it should stop.
const PATIENCE: Duration = Duration::from_millis(250);

/// How long a serial server may take to answer.
const CONNECT_PATIENCE: Duration = Duration::from_secs(2);

/// What one read brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    /// So many bytes.
    Bytes(usize),
    /// Nothing for now.
    Silence,
}

/// An open port. An error from `read` means that it is gone and must be opened again.
pub trait Port: Send {
    /// Waits a short while for bytes.
    ///
    /// # Errors
    /// The port went away: the cable was pulled, the peer hung up, the device node vanished.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Heard>;
}

/// Opens a port.
///
/// # Errors
/// It is not there, not ours to open, or held by another program.
pub fn open(address: &Address, settings: &Settings) -> io::Result<Box<dyn Port>> {
    match address {
        Address::Serial(path) => Ok(Box::new(Serial::open(path, settings)?)),
        Address::Tcp { host, port } => Ok(Box::new(Tcp::open(host, *port)?)),
    }
}

struct Serial {
    line: TTYPort,
    path: PathBuf,
    /// Device number behind the path when it was opened: another one means another device.
    device: u64,
}

impl Serial {
    fn open(path: &Path, settings: &Settings) -> io::Result<Self> {
        // serialport reports a node that is not there as a device that is unknown; the system's
        // own words are clearer.
        let device = std::fs::metadata(path)?.rdev();
        let builder = serialport::new(path.to_string_lossy(), settings.baud).timeout(PATIENCE);
        let line = TTYPort::open(&builder).map_err(io::Error::from)?;
        Ok(Self { line, path: path.to_owned(), device })
    }
}

impl Port for Serial {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Heard> {
        let heard = heard(self.line.read(buffer))?;
        // A silent line may be a cable that is gone: the node tells.
        if heard == Heard::Silence && std::fs::metadata(&self.path)?.rdev() != self.device {
            return Err(io::Error::new(io::ErrorKind::NotFound, "another device has taken its place"));
        }
        Ok(heard)
    }
}

struct Tcp(TcpStream);

impl Tcp {
    fn open(host: &str, port: u16) -> io::Result<Self> {
        let mut last = io::Error::new(io::ErrorKind::NotFound, "the host has no address");
        for address in (host, port).to_socket_addrs()? {
            match TcpStream::connect_timeout(&address, CONNECT_PATIENCE) {
                Ok(stream) => {
                    stream.set_read_timeout(Some(PATIENCE))?;
                    stream.set_nodelay(true)?;
                    return Ok(Self(stream));
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }
}

impl Port for Tcp {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Heard> {
        heard(self.0.read(buffer))
    }
}

/// End of file is a port that went away: a terminal device never ends otherwise.
fn heard(read: io::Result<usize>) -> io::Result<Heard> {
    match read {
        Ok(0) => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the other end closed it")),
        Ok(bytes) => Ok(Heard::Bytes(bytes)),
        Err(error) => match error.kind() {
            io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted => Ok(Heard::Silence),
            _ => Err(error),
        },
    }
}
