//! Where a port is, as a person writes it.

use std::{fmt, path::PathBuf, str::FromStr};

use super::command_line::{CommandLineError, quoted, split};
use crate::words::from_text;

/// Where bytes come from.
///
/// # Format
/// ```text
/// /dev/ttyUSB0                      a serial device
/// tcp://host:port                   a serial server on the network
/// exec:PROGRAM ARGUMENTS            a program that prints what a meter says; no shell, quotes as in one
/// file:PATH                         a recorded capture at its own pace
/// file-fast:PATH                    the same, as fast as it can be read
/// hid:/dev/hidraw0                  a HID cable
/// keys:/dev/input/by-id/NAME        a foot switch or presenter that types keys
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// A serial device: `/dev/ttyUSB0`.
    Serial(PathBuf),
    /// A serial server: `tcp://host:port`.
    Tcp {
        /// Name or address.
        host: String,
        /// TCP port.
        port: u16,
    },
    /// A child process that prints: `exec:PROGRAM ARGUMENTS`.
    Exec {
        /// A path, or a name that is looked for in `PATH`.
        program: String,
        /// Given to it as they are.
        arguments: Vec<String>,
    },
    /// A recorded capture: `file:PATH` or `file-fast:PATH`.
    File {
        /// The capture.
        path: PathBuf,
        /// How fast it is replayed.
        pace: Pace,
    },
    /// A HID cable: `hid:/dev/hidraw0`.
    Hid(PathBuf),
    /// A foot switch or presenter: `keys:/dev/input/by-id/NAME`.
    Keys(PathBuf),
}

/// How fast a capture is replayed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// As it was recorded.
    Recorded,
    /// As fast as it can be read.
    Fast,
}

/// A text that names no port.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("found \"{found}\", expected {expected}")]
pub struct AddressError {
    /// What was written.
    pub found: String,
    /// What was expected.
    pub expected: &'static str,
}

const ANY: &str = "a device path such as \"/dev/ttyUSB0\", a serial server such as \"tcp://host:4001\", \
     \"exec:PROGRAM ARGUMENTS\", \"file:CAPTURE\", \"file-fast:CAPTURE\", \"hid:/dev/hidraw0\" or \"keys:/dev/input/by-id/NAME\"";
const SERVER: &str = "a serial server such as \"tcp://host:4001\"";
const PROGRAM: &str = "a program and its arguments, such as \"exec:read-meter --every 2\"";
const CLOSED: &str = "a program and its arguments with each quote closed, such as \"exec:read-meter 'clamp A'\"";
const CAPTURE: &str = "the path of a capture, such as \"file:clamp.capture\"";
const KEY_DEVICE: &str = "the path of a key device, such as \"keys:/dev/input/by-id/usb-pedal-event-kbd\"";
const NODE: &str = "the path of a raw HID device, such as \"hid:/dev/hidraw0\"";

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = |expected| AddressError { found: text.to_owned(), expected };
        let path = |rest: &str, expected| match rest {
            "" => Err(wrong(expected)),
            path => Ok(PathBuf::from(path)),
        };
        // The names of devices by their place on the bus have colons too, but after a slash.
        let scheme = text.split_once(':').filter(|(scheme, _)| !scheme.contains('/'));
        match scheme {
            Some(("tcp", server)) => server_of(server).ok_or_else(|| wrong(SERVER)),
            Some(("exec", line)) => match split(line) {
                Ok(words) => {
                    let mut words = words.into_iter();
                    let program = words.next().filter(|word| !word.is_empty()).ok_or_else(|| wrong(PROGRAM))?;
                    Ok(Self::Exec { program, arguments: words.collect() })
                }
                Err(CommandLineError::OpenQuote(_) | CommandLineError::LoneBackslash) => Err(wrong(CLOSED)),
            },
            Some(("file", rest)) => Ok(Self::File { path: path(rest, CAPTURE)?, pace: Pace::Recorded }),
            Some(("file-fast", rest)) => Ok(Self::File { path: path(rest, CAPTURE)?, pace: Pace::Fast }),
            Some(("keys", rest)) => Ok(Self::Keys(path(rest, KEY_DEVICE)?)),
            Some(("hid", rest)) => Ok(Self::Hid(path(rest, NODE)?)),
            Some(_) => Err(wrong(ANY)),
            None => Ok(Self::Serial(path(text, ANY)?)),
        }
    }
}

from_text!(Address);

fn server_of(rest: &str) -> Option<Address> {
    let (host, port) = rest.strip_prefix("//")?.rsplit_once(':')?;
    let port = port.parse().ok()?;
    let host = host.trim_start_matches('[').trim_end_matches(']');
    (!host.is_empty()).then(|| Address::Tcp { host: host.to_owned(), port })
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial(path) => write!(f, "{}", path.display()),
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Self::Exec { program, arguments } => {
                write!(f, "exec:{}", quoted(program))?;
                arguments.iter().try_for_each(|argument| write!(f, " {}", quoted(argument)))
            }
            Self::File { path, pace: Pace::Recorded } => write!(f, "file:{}", path.display()),
            Self::File { path, pace: Pace::Fast } => write!(f, "file-fast:{}", path.display()),
            Self::Keys(path) => write!(f, "keys:{}", path.display()),
            Self::Hid(path) => write!(f, "hid:{}", path.display()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_read_and_written() {
        for text in [
            "/dev/ttyUSB0",
            "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0",
            "tcp://bay-3:4001",
            "tcp://[::1]:4001",
            "exec:read-meter",
            "exec:read-meter --name 'clamp A' ''",
            "file:clamp.capture",
            "file-fast:/tmp/a b?c.capture",
            "hid:/dev/hidraw0",
            "keys:/dev/input/by-id/usb-pedal-event-kbd",
        ] {
            assert_eq!(text.parse::<Address>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn what_names_no_port_is_refused() {
        for text in [
            "",
            "tcp://bay-3",
            "tcp://:4001",
            "tcp://bay-3:seven",
            "tcp:bay-3:1",
            "udp://bay-3:1",
            "exce:x",
            "exec:",
            "exec: ''",
            "exec:a 'b",
            "file:",
            "hid:",
            "keys:",
        ] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
        let error = "exec:a 'b".parse::<Address>().unwrap_err();
        assert!(error.to_string().contains("each quote closed"), "{error}");
    }

    #[test]
    fn a_program_keeps_its_arguments_apart() {
        let Address::Exec { program, arguments } = "exec:sh -c 'echo 1; exit'".parse().unwrap() else { panic!() };
        assert_eq!((program.as_str(), arguments), ("sh", vec!["-c".to_owned(), "echo 1; exit".to_owned()]));
    }
}
