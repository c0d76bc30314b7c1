//! Serial line IP's framing (RFC 1055): END behind a frame, and often before it too.

use crate::protocol::problem::{DecodeError, Defect};

/// Ends a frame.
pub(super) const END: u8 = 0xc0;
/// Begins a pair that encodes one of the two.
const ESC: u8 = 0xdb;
/// ESC and this stand for END.
const ESC_END: u8 = 0xdc;
/// ESC and this stand for ESC.
const ESC_ESC: u8 = 0xdd;

/// Takes the pairs out of a frame that came without its END.
///
/// # Errors
/// An ESC with another byte behind it: RFC 1055 leaves open what that means, here it is damage.
pub(super) fn unescape(encoded: &[u8], plain: &mut Vec<u8>) -> Result<(), DecodeError> {
    let mut rest = encoded;
    while let Some(length) = memchr::memchr(ESC, rest) {
        plain.extend_from_slice(&rest[..length]);
        plain.push(match rest.get(length + 1) {
            Some(&ESC_END) => END,
            Some(&ESC_ESC) => ESC,
            _ => {
                let at = encoded.len() - rest.len() + length;
                return Err(DecodeError::at(at..(at + 2).min(encoded.len()), Defect::Stuffing));
            }
        });
        rest = &rest[length + 2..];
    }
    plain.extend_from_slice(rest);
    Ok(())
}

/// The escaped form with its END, for tests and examples.
#[cfg(test)]
pub(in crate::protocol) fn escape(plain: &[u8]) -> Vec<u8> {
    let mut encoded = Vec::new();
    for byte in plain {
        match *byte {
            END => encoded.extend([ESC, ESC_END]),
            ESC => encoded.extend([ESC, ESC_ESC]),
            other => encoded.push(other),
        }
    }
    encoded.push(END);
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_the_rules_of_the_rfc() {
        // RFC 1055: the byte values are from memory, the vectors derived from its rules.
        for (plain, wire) in [
            (&[0x01, 0xc0, 0x02, 0xdb, 0x03][..], &[0x01, 0xdb, 0xdc, 0x02, 0xdb, 0xdd, 0x03, 0xc0][..]),
            (&[0xc0, 0xc0], &[0xdb, 0xdc, 0xdb, 0xdc, 0xc0]),
            (&[0xdb, 0xdc], &[0xdb, 0xdd, 0xdc, 0xc0]),
            (&[0xdb, 0xdd], &[0xdb, 0xdd, 0xdd, 0xc0]),
            (&[], &[0xc0]),
        ] {
            assert_eq!(escape(plain), wire);
            let mut read = Vec::new();
            assert_eq!(unescape(&wire[..wire.len() - 1], &mut read), Ok(()));
            assert_eq!(read, plain);
        }
    }

    #[test]
    fn a_broken_pair_is_refused() {
        assert_eq!(unescape(&[1, 0xdb, 2], &mut Vec::new()), Err(DecodeError::at(1..3, Defect::Stuffing)));
        assert_eq!(unescape(&[1, 0xdb], &mut Vec::new()), Err(DecodeError::at(1..2, Defect::Stuffing)));
    }
}
