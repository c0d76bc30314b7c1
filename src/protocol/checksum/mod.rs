//! Whether a frame came whole: sums, exclusive or, and the CRCs of the catalogue.
//!
//! Knows where in a frame the checksum is and which bytes it covers, never what they mean.
//!
//! Reading order: `keys` (the keys of a file), here (the check), `catalogue` (every CRC).

mod catalogue;
mod keys;

use std::ops::Range;

pub(super) use keys::ChecksumRule;

use super::{
    problem::{DecodeError, Defect},
    values::{ByteOrder, hex_digit},
};
use catalogue::Crc;
use keys::{ChecksumForm, ChecksumKind, ChecksumPosition, Complement, MissingChecksum};

/// Checks the frames of one port.
pub(super) struct Checksum {
    rule: ChecksumRule,
    crc: Option<Crc>,
    /// Bytes that its value fills.
    size: usize,
}

impl std::fmt::Debug for Checksum {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.rule.fmt(f)
    }
}

impl Checksum {
    pub(super) fn new(rule: &ChecksumRule) -> Self {
        let crc = match rule.kind {
            ChecksumKind::Crc(crc) => Some(crc.make()),
            ChecksumKind::Sum { .. } | ChecksumKind::Xor => None,
        };
        Self { crc, size: rule.kind.size(), rule: rule.clone() }
    }

    /// What of a frame is left to decode: all before the checksum where that is its end.
    ///
    /// # Errors
    /// The checksum differs, or there is none.
    pub(super) fn strip<'a>(&self, frame: &'a [u8]) -> Result<&'a [u8], DecodeError> {
        let length = self.rule.form.length(self.size);
        let (stands, before) = match &self.rule.position {
            ChecksumPosition::Behind(mark) => match memchr::memmem::rfind(frame, mark) {
                Some(at) => (at + mark.len()..frame.len(), at),
                None if self.rule.absent == MissingChecksum::Allowed => return Ok(frame),
                None => return Err(DecodeError::whole(Defect::NoChecksum)),
            },
            ChecksumPosition::At(place) => {
                let at = place.within(frame).ok_or(DecodeError::whole(Defect::NoChecksum))?;
                (at..at + length, at)
            }
        };
        let to = match &self.rule.to {
            Some(place) => place.within(frame).map_or(0, |at| at + 1),
            None => before,
        };
        let from = self.rule.from.within(frame).unwrap_or(0);
        let covered = frame.get(from..to).ok_or(DecodeError::whole(Defect::NoChecksum))?;
        let found = self.value(frame, stands.clone(), length)?;
        let expected = self.of(covered);
        if found != expected {
            return Err(DecodeError::at(stands, Defect::Checksum { expected, digits: 2 * self.size }));
        }
        Ok(if stands.end == frame.len() { &frame[..before] } else { frame })
    }

    /// Over these bytes.
    pub(super) fn of(&self, covered: &[u8]) -> u128 {
        match (self.rule.kind, &self.crc) {
            (ChecksumKind::Sum { bytes, complement }, _) => {
                let sum = covered.iter().fold(0u16, |sum, byte| sum.wrapping_add(u16::from(*byte)));
                let sum = match complement {
                    Complement::None => sum,
                    Complement::Ones => !sum,
                    Complement::Twos => sum.wrapping_neg(),
                };
                u128::from(if bytes == 1 { sum & 0xff } else { sum })
            }
            (ChecksumKind::Xor, _) => covered.iter().fold(0, |all, byte| all ^ byte).into(),
            (ChecksumKind::Crc(_), crc) => crc.as_ref().expect("made with its table in `new`").of(covered),
        }
    }

    /// The value that the frame carries.
    fn value(&self, frame: &[u8], stands: Range<usize>, length: usize) -> Result<u128, DecodeError> {
        let bytes = frame.get(stands.clone()).filter(|bytes| bytes.len() == length);
        let bytes = bytes.ok_or(DecodeError::at(stands.start.min(frame.len())..frame.len(), Defect::NoChecksum))?;
        let byte = |index: usize| match self.rule.form {
            ChecksumForm::Binary => Some(bytes[index]),
            ChecksumForm::Hex => Some(hex_digit(bytes[2 * index])? << 4 | hex_digit(bytes[2 * index + 1])?),
        };
        let mut value = 0;
        for index in 0..self.size {
            let index = if self.rule.order == ByteOrder::Big { index } else { self.size - 1 - index };
            value = value << 8 | u128::from(byte(index).ok_or(DecodeError::at(stands.clone(), Defect::NoChecksum))?);
        }
        Ok(value)
    }
}

#[cfg(test)]
mod tests {
    use super::{catalogue::CatalogueCrc, keys::BytePosition, *};

    fn binary(kind: ChecksumKind, order: ByteOrder) -> Checksum {
        Checksum::new(&ChecksumRule {
            position: ChecksumPosition::At(BytePosition::FromEnd(kind.size())),
            kind,
            form: ChecksumForm::Binary,
            order,
            from: BytePosition::FromStart(0),
            to: None,
            absent: MissingChecksum::Refused,
        })
    }

    #[test]
    fn modbus_frames() {
        // MODBUS over serial line, CRC low byte first; the last is the well-known example of the
        // application protocol (from memory), all computed with crccheck 1.3.1.
        let checksum = binary(ChecksumKind::Crc(CatalogueCrc::named("CRC-16/MODBUS").unwrap()), ByteOrder::Little);
        for frame in [
            [0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0a],
            [0x01, 0x03, 0x00, 0x00, 0x00, 0x0a, 0xc5, 0xcd],
            [0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87],
        ] {
            assert_eq!(checksum.strip(&frame), Ok(&frame[..6]));
            let mut damaged = frame;
            damaged[3] ^= 1;
            assert!(checksum.strip(&damaged).is_err());
        }
        assert_eq!(checksum.strip(&[1]), Err(DecodeError::whole(Defect::NoChecksum)));
    }

    #[test]
    fn nmea_sentences() {
        // Sentences of public logs and tutorials, all confirmed by pynmea2 1.19.0.
        let checksum = Checksum::new(&ChecksumRule {
            kind: ChecksumKind::Xor,
            position: ChecksumPosition::Behind(b"*".to_vec()),
            form: ChecksumForm::Hex,
            order: ByteOrder::Big,
            from: BytePosition::Behind(b"$".to_vec()),
            to: None,
            absent: MissingChecksum::Allowed,
        });
        for sentence in [
            "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
            "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
            "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B",
            "$GPHDT,74.20,T*34",
            "$GPZDA,195959.00,14,01,2020,00,00*6A",
        ] {
            let end = sentence.rfind('*').unwrap();
            assert_eq!(checksum.strip(sentence.as_bytes()), Ok(&sentence.as_bytes()[..end]), "{sentence}");
        }
        let wrong = b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*49";
        let error = checksum.strip(wrong).unwrap_err();
        assert_eq!(error.defect, Defect::Checksum { expected: 0x48, digits: 2 });
        assert_eq!(error.bytes, 39..41);
        assert_eq!(checksum.strip(b"$GPVTG,1"), Ok(&b"$GPVTG,1"[..]), "without one where that is allowed");
        assert!(checksum.strip(b"$GPVTG,1*4").is_err() && checksum.strip(b"$GPVTG,1*4x").is_err());
    }

    #[test]
    fn sums_and_their_complements() {
        // Arithmetic: 01 + 02 + FF = 0102.
        for (bytes, complement, expected) in [
            (1, Complement::None, 0x02),
            (2, Complement::None, 0x0102),
            (1, Complement::Ones, 0xfd),
            (1, Complement::Twos, 0xfe),
            (2, Complement::Twos, 0xfefe),
        ] {
            let checksum = binary(ChecksumKind::Sum { bytes, complement }, ByteOrder::Big);
            assert_eq!(checksum.of(&[1, 2, 0xff]), expected, "{bytes} {complement:?}");
        }
    }

    #[test]
    fn it_may_stand_in_the_middle_and_cover_a_part() {
        let checksum = Checksum::new(&ChecksumRule {
            kind: ChecksumKind::Xor,
            position: ChecksumPosition::At(BytePosition::FromStart(1)),
            form: ChecksumForm::Binary,
            order: ByteOrder::Big,
            from: BytePosition::FromStart(2),
            to: Some(BytePosition::FromEnd(2)),
            absent: MissingChecksum::Refused,
        });
        assert_eq!(checksum.strip(&[0xaa, 3, 1, 2, 9]), Ok(&[0xaa, 3, 1, 2, 9][..]));
        assert!(checksum.strip(&[0xaa, 3, 1, 3, 9]).is_err());
        assert!(checksum.strip(&[0xaa]).is_err());
    }
}
