//! Where a port is, as a person writes it.

use std::{fmt, path::PathBuf, str::FromStr};

/// A device path, or a serial server on the network.
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
}

/// How a serial line is set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Bits a second.
    pub baud: u32,
}

impl Default for Settings {
    fn default() -> Self {
        // The speed that small boards and many meters start with: common practice, no source.
        Self { baud: 9600 }
    }
}

/// A text that names no port.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "found \"{found}\", expected a device path such as \"/dev/ttyUSB0\" or a serial server such as \"tcp://host:4001\""
)]
pub struct AddressError {
    /// What was written.
    pub found: String,
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = || AddressError { found: text.to_owned() };
        if let Some(server) = text.strip_prefix("tcp://") {
            let (host, port) = server.rsplit_once(':').ok_or_else(wrong)?;
            let port = port.parse().map_err(|_| wrong())?;
            let host = host.trim_start_matches('[').trim_end_matches(']');
            if host.is_empty() {
                return Err(wrong());
            }
            return Ok(Self::Tcp { host: host.to_owned(), port });
        }
        if text.is_empty() || text.contains("://") {
            return Err(wrong());
        }
        Ok(Self::Serial(PathBuf::from(text)))
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial(path) => write!(f, "{}", path.display()),
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_read_and_written() {
        for text in ["/dev/ttyUSB0", "tcp://bay-3:4001", "tcp://[::1]:4001"] {
            assert_eq!(text.parse::<Address>().unwrap().to_string(), text);
        }
        for text in ["", "tcp://bay-3", "tcp://:4001", "tcp://bay-3:seven", "udp://bay-3:1"] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }
}
