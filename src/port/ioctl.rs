//! What needs `unsafe`: three calls to device drivers for which there is no safe wrapper.

use std::{
    io,
    os::fd::{AsRawFd, BorrowedFd, RawFd},
};

use nix::{errno::Errno, libc};

use super::Level;

mod raw {
    use nix::libc;

    nix::ioctl_write_ptr_bad!(tiocmbis, libc::TIOCMBIS, libc::c_int);
    nix::ioctl_write_ptr_bad!(tiocmbic, libc::TIOCMBIC, libc::c_int);
    // HIDIOCSFEATURE of the kernel's hidraw interface.
    nix::ioctl_readwrite_buf!(hidiocsfeature, b'H', 0x06, u8);
    // EVIOCGRAB of the kernel's event interface.
    nix::ioctl_write_int!(eviocgrab, b'E', 0x90);
}

/// A control line of a serial port.
#[derive(Debug, Clone, Copy)]
pub(super) enum ControlLine {
    DataTerminalReady,
    RequestToSend,
}

/// Whether a control line was set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LineChange {
    Done,
    /// It has none, as pseudo-terminals.
    NoSuchLine,
}

/// Holds a control line at a level.
pub(super) fn set_control_line(line: &impl AsRawFd, pin: ControlLine, level: Level) -> io::Result<LineChange> {
    let bit: libc::c_int = match pin {
        ControlLine::DataTerminalReady => libc::TIOCM_DTR,
        ControlLine::RequestToSend => libc::TIOCM_RTS,
    };
    let fd: RawFd = line.as_raw_fd();
    // SAFETY: the descriptor is open while `line` is borrowed, and the driver only reads one int.
    let set = unsafe {
        match level {
            Level::On => raw::tiocmbis(fd, &bit),
            Level::Off => raw::tiocmbic(fd, &bit),
        }
    };
    match set {
        Ok(_) => Ok(LineChange::Done),
        Err(Errno::ENOTTY) => Ok(LineChange::NoSuchLine),
        Err(error) => Err(error.into()),
    }
}

/// The descriptor of an open port whose type does not lend it.
pub(super) fn borrowed(line: &serialport::TTYPort) -> BorrowedFd<'_> {
    // SAFETY: the port owns its descriptor, which stays open while it is borrowed.
    unsafe { BorrowedFd::borrow_raw(line.as_raw_fd()) }
}

/// Grabs a key device: its events reach nobody else until it is closed.
pub(super) fn grab(node: &impl AsRawFd) -> io::Result<()> {
    // SAFETY: the descriptor is open while `node` is borrowed, and the request carries a number, no address.
    unsafe { raw::eviocgrab(node.as_raw_fd(), 1) }?;
    Ok(())
}

/// Sends a feature report; its first byte is the report's number.
pub(super) fn send_feature(node: &impl AsRawFd, report: &[u8]) -> io::Result<()> {
    let mut report = report.to_vec();
    // SAFETY: the descriptor is open while `node` is borrowed, and the request carries the length of
    // the buffer, beyond which the driver does not go.
    unsafe { raw::hidiocsfeature(node.as_raw_fd(), &mut report) }?;
    Ok(())
}
