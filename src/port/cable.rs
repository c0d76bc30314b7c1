//! How the reports of a HID meter cable carry the bytes of a serial line. Plain data and pure
//! functions; the device itself is opened in `hid`.
//!
//! Such a cable is a small chip between the meter's optical head and USB. There is no standard for
//! what stands where in its reports, so a protocol file describes it.

use std::borrow::Cow;

use super::DataBits;

/// The longest report that is taken, bytes; full speed USB has up to 64 in one.
pub(crate) const LONGEST_REPORT: usize = 4096;

/// The layout of a cable's reports.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HidCable {
    /// Where the bytes stand in a report that comes in.
    pub payload: Payload,
    /// Each byte of the payload is combined with the next byte of this by exclusive or, from its
    /// start in every report; empty where the cable sends bytes as they are.
    pub mask: Vec<u8>,
    /// What is written when the cable is opened, in this order: speed, or a wake-up.
    pub greeting: Vec<Greeting>,
    /// How bytes for the meter are put in reports; none for a cable that only listens.
    pub outgoing: Option<Outgoing>,
}

/// Where the bytes stand in a report. Places count from 0, and from the report's number where the
/// device numbers its reports, as `hidraw` of Linux hands them over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Payload {
    /// One byte of the report is the number of bytes that it carries.
    Counted {
        /// Where the count stands.
        at: usize,
        /// Which bits of that byte are the count.
        bits: u8,
        /// Where the bytes begin.
        from: usize,
    },
    /// Always the same bytes.
    Fixed {
        /// Where they begin.
        from: usize,
        /// How many.
        count: usize,
    },
    /// All of the report: what a raw recording keeps.
    Whole,
}

/// One report written when the cable is opened; its first byte is the report's number, 0 where the
/// device has no numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Greeting {
    /// By the control pipe.
    Feature(Vec<u8>),
    /// As an ordinary report.
    Output(Vec<u8>),
}

/// How bytes for the meter are put in reports.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Bytes of each report with its number, at least `from` + 1; unused ones are 0.
    pub length: usize,
    /// Where the count stands; none where the cable wants none.
    pub count_at: Option<usize>,
    /// Bits that are set in the count's byte beside the count, which stays below the lowest of them.
    pub count_with: u8,
    /// Where the bytes begin; 1 or more, since 0 is the report's number.
    pub from: usize,
    /// The report's number; where `count_at` is 0 the count takes its place.
    pub number: u8,
}

/// A report with fewer bytes than its own count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a report of {length} bytes came where at least {expected} were expected")]
pub struct ShortReport {
    /// Bytes that came.
    pub length: usize,
    /// Bytes that there should be.
    pub expected: usize,
}

impl HidCable {
    /// What a raw recording needs: every report as it is, and nothing is written.
    pub fn raw() -> Self {
        Self { payload: Payload::Whole, mask: Vec::new(), greeting: Vec::new(), outgoing: None }
    }

    /// The bytes that a report carries. A cable hands over eight bits of each character, whatever
    /// the line to the meter has; those that are no data, such as a parity bit, are cleared.
    ///
    /// # Errors
    /// It is shorter than its own count.
    pub fn bytes<'a>(&self, report: &'a [u8], data_bits: DataBits) -> Result<Cow<'a, [u8]>, ShortReport> {
        let short = |expected| ShortReport { length: report.len(), expected };
        let (from, count) = match self.payload {
            Payload::Counted { at, bits, from } => {
                let byte = report.get(at).ok_or_else(|| short(at.saturating_add(1)))?;
                (from, usize::from(byte & bits))
            }
            Payload::Fixed { from, count } => (from, count),
            Payload::Whole => return Ok(Cow::Borrowed(report)),
        };
        if count == 0 {
            return Ok(Cow::Borrowed(&[]));
        }
        let end = from.saturating_add(count);
        let bytes = report.get(from..end).ok_or_else(|| short(end))?;
        if self.mask.is_empty() && data_bits == DataBits::Eight {
            return Ok(Cow::Borrowed(bytes));
        }
        let mask = self.mask.iter().copied().cycle().chain(std::iter::repeat(0));
        Ok(Cow::Owned(bytes.iter().zip(mask).map(|(byte, mask)| (byte ^ mask) & data_bits.mask()).collect()))
    }
}

impl Outgoing {
    /// How many bytes for the meter one report carries at most; 0 where the description leaves none.
    pub fn room(&self) -> usize {
        let greatest_count = match self.count_at {
            Some(_) if self.count_with == 0 => usize::from(u8::MAX),
            Some(_) => (1 << self.count_with.trailing_zeros()) - 1,
            None => usize::MAX,
        };
        self.length.saturating_sub(self.from).min(greatest_count)
    }

    /// The reports that carry these bytes; none where the description leaves no room for a byte.
    pub fn reports<'a>(&'a self, bytes: &'a [u8]) -> impl Iterator<Item = Vec<u8>> + 'a {
        let room = self.room();
        let bytes = if room == 0 { &[] } else { bytes };
        bytes.chunks(room.max(1)).map(|chunk| {
            let mut report = vec![0; self.length];
            report[0] = self.number;
            if let Some(count) = self.count_at.and_then(|at| report.get_mut(at)) {
                // It fits: a chunk is no longer than the bits of the count allow.
                *count = self.count_with | chunk.len() as u8;
            }
            report[self.from..][..chunk.len()].copy_from_slice(chunk);
            report
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Eight bytes, the low bits of the first are the number of valid bytes among the other seven. From memory of
    /// common infrared cables; prove it on yours.
    fn eight() -> HidCable {
        HidCable {
            payload: Payload::Counted { at: 0, bits: 0x07, from: 1 },
            mask: Vec::new(),
            greeting: vec![Greeting::Feature(vec![0, 0x60, 0x09, 0, 0, 3])],
            outgoing: Some(Outgoing { length: 9, count_at: Some(1), count_with: 0, from: 2, number: 0 }),
        }
    }

    /// A report whose number is the count, as bridges do that give each length a report of its own.
    fn numbered() -> HidCable {
        HidCable {
            payload: Payload::Counted { at: 0, bits: 0x3f, from: 1 },
            mask: Vec::new(),
            greeting: Vec::new(),
            outgoing: Some(Outgoing { length: 64, count_at: Some(0), count_with: 0, from: 1, number: 0 }),
        }
    }

    #[test]
    fn a_count_says_how_many_bytes_there_are() {
        let report = [0xf2, b'1', b'2', 0, 0, 0, 0, 0];
        assert_eq!(&*eight().bytes(&report, DataBits::Eight).unwrap(), b"12");
        assert_eq!(&*eight().bytes(&[0xf0, 9, 9], DataBits::Eight).unwrap(), b"");
        assert_eq!(eight().bytes(&[0xf7, 1], DataBits::Eight), Err(ShortReport { length: 2, expected: 8 }));
        assert_eq!(eight().bytes(&[], DataBits::Eight), Err(ShortReport { length: 0, expected: 1 }));
        assert_eq!(&*numbered().bytes(&[3, b'a', b'b', b'c'], DataBits::Eight).unwrap(), b"abc");
    }

    #[test]
    fn a_slice_is_unmasked_from_its_start() {
        let cable = HidCable {
            payload: Payload::Fixed { from: 2, count: 3 },
            mask: vec![0xff, 0x0f],
            greeting: Vec::new(),
            outgoing: None,
        };
        assert_eq!(&*cable.bytes(&[9, 9, 0x00, 0x31, 0xf0, 9], DataBits::Eight).unwrap(), [0xff, 0x3e, 0x0f]);
        assert!(cable.bytes(&[9, 9, 0, 0], DataBits::Eight).is_err());
        // The mask first, then the bits that are data.
        assert_eq!(&*cable.bytes(&[9, 9, 0x00, 0xb1, 0xf0, 9], DataBits::Seven).unwrap(), [0x7f, 0x3e, 0x0f]);
    }

    #[test]
    fn parity_is_no_data() {
        // "12" with odd parity in the eighth bit.
        assert_eq!(&*eight().bytes(&[0xf2, b'1', b'2', 0, 0, 0, 0, 0], DataBits::Seven).unwrap(), b"12");
        assert_eq!(&*eight().bytes(&[0xf2, b'0' | 0x80, b'3' | 0x80], DataBits::Seven).unwrap(), b"03");
        assert_eq!(&*HidCable::raw().bytes(&[0xf2, 0xb0], DataBits::Seven).unwrap(), [0xf2, 0xb0]);
    }

    #[test]
    fn requests_are_parted_into_reports() {
        let outgoing = eight().outgoing.unwrap();
        let reports: Vec<_> = outgoing.reports(b"*IDN?\r\n!").collect();
        assert_eq!(reports[0], *b"\x00\x07*IDN?\r\n");
        assert_eq!(reports[1], [0, 1, b'!', 0, 0, 0, 0, 0, 0]);
        assert_eq!(reports.len(), 2);
        let cramped = Outgoing { length: 2, count_at: None, count_with: 0, from: 2, number: 0 };
        assert_eq!(cramped.reports(b"x").count(), 0);
        // A count below bit 2 reaches to 3, whatever stands above.
        let marked = Outgoing { length: 9, count_at: Some(1), count_with: 0xa4, from: 2, number: 0 };
        assert_eq!(marked.reports(b"abcd").map(|report| report[1]).collect::<Vec<_>>(), [0xa7, 0xa5]);
        assert_eq!(Outgoing { count_with: 0x01, ..marked }.room(), 0);
    }

    proptest! {
        #[test]
        fn no_description_and_no_report_does_harm(
            at in 0usize..70, bits: u8, from in prop::sample::select(vec![0usize, 1, 2, 64, usize::MAX]),
            report in prop::collection::vec(any::<u8>(), 0..70), mask in prop::collection::vec(any::<u8>(), 0..4),
        ) {
            let cable = HidCable {
                payload: Payload::Counted { at, bits, from }, mask, greeting: Vec::new(), outgoing: None,
            };
            let carried = cable.bytes(&report, DataBits::Eight).map_or(0, |bytes| bytes.len());
            prop_assert!(carried <= report.len());
        }

        #[test]
        fn what_goes_out_in_numbered_reports_would_come_in_again(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let cable = numbered();
            let outgoing = cable.outgoing.clone().unwrap();
            let back: Vec<u8> = outgoing.reports(&bytes).flat_map(|report| cable.bytes(&report, DataBits::Eight).unwrap().into_owned())
                .collect();
            prop_assert_eq!(back, bytes);
        }
    }
}
