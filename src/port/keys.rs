//! A foot switch or a presenter that types keys, through the kernel's event interface: each key that goes down is a line with the
//! kernel's name of it, such as `KEY_PAGEDOWN`.
//!
//! The device is grabbed: its keys reach nobody else, and no other keyboard is touched. The layout of an event and the names are
//! those of linux/input.h and linux/input-event-codes.h, the names from memory.

use std::{
    fs::{File, OpenOptions},
    io::{self, Read},
    mem::size_of,
    os::fd::AsFd,
    path::Path,
    time::Duration,
};

use nix::libc;

use super::{
    LONGEST_READ_WAIT, Port, ReadOutcome,
    connection::read_outcome,
    ioctl::grab,
    wait::{Deadline, never_block, readable},
};

/// One event: a time, then type, code and value.
const EVENT: usize = size_of::<libc::input_event>();
/// Type, code and value stand at its end.
const TAIL: usize = 8;
/// The type of a key, and the value of one that goes down; one that repeats is 2.
const EV_KEY: u16 = 1;
const DOWN: i32 = 1;
/// A contact bounces for less than this, and no foot is so quick, µs: common practice, no source.
const BOUNCE_US: i64 = 150_000;

/// An open device.
pub(super) struct Keys {
    node: File,
    /// Bytes of an event that is not whole.
    partial: Vec<u8>,
    /// Lines that found no room in the reader's buffer.
    rest: Vec<u8>,
    /// The key that went down last, and when by the kernel's clock, µs.
    last: Option<(u16, i64)>,
}

impl Keys {
    /// Opens and grabs it.
    pub(super) fn open(path: &Path) -> io::Result<Self> {
        let node = OpenOptions::new().read(true).open(path)?;
        grab(&node).map_err(|error| match error.raw_os_error() {
            Some(libc::EBUSY) => {
                io::Error::new(error.kind(), "another program has grabbed this key device; end that one first")
            }
            Some(libc::ENOTTY | libc::EINVAL) => io::Error::new(
                io::ErrorKind::InvalidInput,
                "this is no key device; those stand in /dev/input/by-id with a name that ends in -event-kbd",
            ),
            _ => error,
        })?;
        Self::on(node)
    }

    fn on(node: File) -> io::Result<Self> {
        never_block(&node)?;
        Ok(Self { node, partial: Vec::new(), rest: Vec::new(), last: None })
    }

    /// Takes what is there; true when it holds a key that went down.
    fn take_events(&mut self) -> io::Result<bool> {
        let mut events = [0; 64 * EVENT];
        let ReadOutcome::Bytes(length) = read_outcome(self.node.read(&mut events))? else { return Ok(false) };
        self.partial.extend_from_slice(&events[..length]);
        let whole = self.partial.len() / EVENT * EVENT;
        let taken: Vec<u8> = self.partial.drain(..whole).collect();
        for event in taken.chunks_exact(EVENT) {
            self.event(event);
        }
        Ok(!self.rest.is_empty())
    }

    fn event(&mut self, event: &[u8]) {
        let (time, tail) = event.split_at(EVENT - TAIL);
        let (half, size) = (time.len() / 2, time.len() / 2);
        let number = |bytes: &[u8]| match size {
            8 => i64::from_ne_bytes(bytes.try_into().unwrap_or_default()),
            _ => i64::from(i32::from_ne_bytes(bytes.try_into().unwrap_or_default())),
        };
        let at_us = number(&time[..half]).saturating_mul(1_000_000).saturating_add(number(&time[half..]));
        let kind = u16::from_ne_bytes([tail[0], tail[1]]);
        let code = u16::from_ne_bytes([tail[2], tail[3]]);
        let value = i32::from_ne_bytes([tail[4], tail[5], tail[6], tail[7]]);
        if kind != EV_KEY || value != DOWN {
            return;
        }
        let bounced = self.last.is_some_and(|(last, since)| last == code && (0..BOUNCE_US).contains(&(at_us - since)));
        self.last = Some((code, at_us));
        if !bounced {
            let line = match name(code) {
                Some(name) => format!("KEY_{name}\n"),
                None => format!("KEY {code}\n"),
            };
            self.rest.extend_from_slice(line.as_bytes());
        }
    }
}

impl Port for Keys {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        let patience = Deadline::new(patience.min(LONGEST_READ_WAIT));
        while self.rest.is_empty() {
            let left = patience.remaining();
            let [ready] = readable([self.node.as_fd()], left.unwrap_or_default())?;
            if ready && self.take_events()? {
                break;
            }
            if left.is_none() {
                return Ok(ReadOutcome::Silence);
            }
        }
        let count = self.rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.rest[..count]);
        self.rest.drain(..count);
        Ok(ReadOutcome::Bytes(count))
    }

    fn write_all(&mut self, _bytes: &[u8], _patience: Duration) -> io::Result<()> {
        Err(io::Error::new(io::ErrorKind::Unsupported, "nothing can be sent to a key device"))
    }
}

/// The kernel's name of a key that foot switches and presenters have, without its beginning.
fn name(code: u16) -> Option<&'static str> {
    Some(match code {
        1 => "ESC",
        2..=11 => ["1", "2", "3", "4", "5", "6", "7", "8", "9", "0"][usize::from(code) - 2],
        15 => "TAB",
        16..=25 => ["Q", "W", "E", "R", "T", "Y", "U", "I", "O", "P"][usize::from(code) - 16],
        28 => "ENTER",
        30..=38 => ["A", "S", "D", "F", "G", "H", "J", "K", "L"][usize::from(code) - 30],
        44..=50 => ["Z", "X", "C", "V", "B", "N", "M"][usize::from(code) - 44],
        52 => "DOT",
        57 => "SPACE",
        59..=68 => ["F1", "F2", "F3", "F4", "F5", "F6", "F7", "F8", "F9", "F10"][usize::from(code) - 59],
        96 => "KPENTER",
        102..=109 => ["HOME", "UP", "PAGEUP", "LEFT", "RIGHT", "END", "DOWN", "PAGEDOWN"][usize::from(code) - 102],
        114 => "VOLUMEDOWN",
        115 => "VOLUMEUP",
        163 => "NEXTSONG",
        164 => "PLAYPAUSE",
        165 => "PREVIOUSSONG",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use std::{io::Write, os::fd::OwnedFd, os::unix::net::UnixStream};

    use super::*;

    /// An event as the kernel of this computer writes it.
    fn event(at_us: i64, kind: u16, code: u16, value: i32) -> Vec<u8> {
        let half = (EVENT - TAIL) / 2;
        let number =
            |value: i64| if half == 8 { value.to_ne_bytes().to_vec() } else { (value as i32).to_ne_bytes().to_vec() };
        let mut bytes = number(at_us / 1_000_000);
        bytes.extend(number(at_us % 1_000_000));
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(code.to_ne_bytes());
        bytes.extend(value.to_ne_bytes());
        bytes
    }

    fn read(keys: &mut Keys) -> String {
        let mut buffer = [0; 64];
        match keys.read(&mut buffer, Duration::from_millis(200)).unwrap() {
            ReadOutcome::Bytes(count) => String::from_utf8(buffer[..count].to_vec()).unwrap(),
            _ => String::new(),
        }
    }

    #[test]
    fn a_key_that_goes_down_is_a_line_once() {
        let (ours, mut device) = UnixStream::pair().unwrap();
        let mut keys = Keys::on(File::from(OwnedFd::from(ours))).unwrap();
        let s = 1_000_000;
        for bytes in [
            event(s, 4, 4, 0x70051),
            event(s, 1, 109, 1),
            event(s, 0, 0, 0),
            // The contact bounces, the key repeats, and it goes up.
            event(s + 20_000, 1, 109, 1),
            event(s + 250_000, 1, 109, 2),
            event(s + 400_000, 1, 109, 0),
            event(2 * s, 1, 109, 1),
            event(2 * s + 1000, 1, 48, 1),
            event(3 * s, 1, 500, 1),
        ] {
            // An event may come in pieces.
            device.write_all(&bytes[..5]).unwrap();
            device.write_all(&bytes[5..]).unwrap();
        }
        let mut lines = String::new();
        while lines.lines().count() < 4 {
            lines += &read(&mut keys);
        }
        assert_eq!(lines, "KEY_PAGEDOWN\nKEY_PAGEDOWN\nKEY_B\nKEY 500\n");
        assert_eq!(read(&mut keys), "");
        assert!(keys.write_all(b"x", Duration::ZERO).is_err());
    }

    #[test]
    fn what_is_no_key_device_is_refused_in_words() {
        let error = Keys::open(Path::new("/dev/null")).err().unwrap().to_string();
        assert!(error.starts_with("this is no key device"), "{error}");
    }
}
