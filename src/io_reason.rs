//! The answer of the system to a failed read, write or connection, in words that say what is so and what to do.
//!
//! Every message about a file, a port or a socket shows an [`io::Error`] through [`IoReason`], never by itself.

use std::{
    fmt,
    io::{self, ErrorKind},
};

use nix::libc;

/// Shows an error as a reason: `there is no such file or device; check the name`.
///
/// An error that was made with a message of ours is shown by that message.
#[derive(Debug, Clone, Copy)]
pub(crate) struct IoReason<'a>(pub(crate) &'a io::Error);

impl fmt::Display for IoReason<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let error = self.0;
        if let Some(words) = words_of_code(error.raw_os_error()).or_else(|| words_of_kind(error)) {
            return f.write_str(words);
        }
        // The system's own words without its number.
        let text = error.to_string();
        let text = text.split(" (os error ").next().unwrap_or_default();
        if text.contains("failed to lookup address") {
            return f.write_str("the name of the host is not known; check its spelling and the network");
        }
        // A library that keeps the system's words without its number.
        f.write_str(match text {
            "Not a typewriter" | "Inappropriate ioctl for device" => NO_SUCH_KIND,
            "Is a directory" => FOLDER,
            other => other,
        })
    }
}

const UNPLUGGED: &str = "it was unplugged or switched off";
const NO_SUCH_KIND: &str = "it is not a device of that kind; check the name";
const FOLDER: &str = "it is a folder, expected a file";
const FULL: &str = "the disk is full; make room on it";

fn words_of_code(code: Option<i32>) -> Option<&'static str> {
    Some(match code? {
        libc::EIO | libc::ENODEV | libc::ENXIO => UNPLUGGED,
        libc::EMFILE | libc::ENFILE => "too many files are open; close other programs or raise the limit",
        libc::ENOTTY => NO_SUCH_KIND,
        libc::ENOSPC | libc::EDQUOT => FULL,
        libc::EFBIG => "the file has reached the largest size that is allowed",
        libc::EROFS => "the disk can only be read; choose another place",
        libc::EBUSY | libc::EAGAIN => "another program has it open; close that program",
        _ => return None,
    })
}

/// The usual kinds; none where the error has a message of its own.
fn words_of_kind(error: &io::Error) -> Option<&'static str> {
    if error.get_ref().is_some() {
        return None;
    }
    Some(match error.kind() {
        ErrorKind::NotFound => "there is no such file or device; check the name",
        ErrorKind::PermissionDenied => "this user is not allowed to use it; check its permissions and its group",
        ErrorKind::AlreadyExists => "there is one of that name already; choose another name",
        ErrorKind::IsADirectory => FOLDER,
        ErrorKind::NotADirectory => "a part of its path is a file, expected a folder; check the name",
        ErrorKind::ConnectionRefused => "nothing answers there; check that it is switched on, and its port number",
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable | ErrorKind::NetworkDown => {
            "the network does not reach it; check cable, network and address"
        }
        ErrorKind::ConnectionReset
        | ErrorKind::ConnectionAborted
        | ErrorKind::BrokenPipe
        | ErrorKind::NotConnected
        | ErrorKind::UnexpectedEof => "the other end closed it",
        ErrorKind::TimedOut => "there was no answer in time; check that it is switched on and connected",
        ErrorKind::WriteZero => "it takes no more bytes",
        ErrorKind::AddrInUse => "another program uses that address; close that program or choose another address",
        ErrorKind::AddrNotAvailable => "this computer does not have that address; check it",
        ErrorKind::InvalidData => "it is not a text in UTF-8; check that it is the right file",
        ErrorKind::InvalidFilename => "its name is too long or not a name; choose another name",
        ErrorKind::ArgumentListTooLong => "its arguments are too long",
        ErrorKind::OutOfMemory => "the memory is full; close other programs",
        _ => return None,
    })
}

/// The same error with its reason as its message, where it is handed on as an error.
pub(crate) fn with_reason(error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), IoReason(error).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_number_and_no_words_of_the_system_are_left() {
        for code in 1..134 {
            let error = io::Error::from_raw_os_error(code);
            let words = IoReason(&error).to_string();
            assert!(
                !words.contains("os error") && !words.contains("Broken pipe") && !words.is_empty(),
                "{code}: {words}"
            );
        }
        for (code, expected) in [
            (libc::ENOENT, "there is no such file or device; check the name"),
            (libc::EPIPE, "the other end closed it"),
            (libc::EIO, UNPLUGGED),
            (libc::ENOSPC, FULL),
        ] {
            assert_eq!(IoReason(&io::Error::from_raw_os_error(code)).to_string(), expected);
        }
    }

    #[test]
    fn a_message_of_ours_is_kept() {
        let error = io::Error::new(ErrorKind::UnexpectedEof, "\"meter\" ended (exit status: 3)");
        assert_eq!(IoReason(&error).to_string(), "\"meter\" ended (exit status: 3)");
        let error = std::fs::read_to_string("/no/such/file").unwrap_err();
        assert_eq!(with_reason(&error).to_string(), "there is no such file or device; check the name");
        assert_eq!(with_reason(&error).kind(), ErrorKind::NotFound);
    }
}
