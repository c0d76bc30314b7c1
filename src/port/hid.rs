//! A HID meter cable through the kernel's raw HID interface, which hands over one report a read.
//!
//! Feature reports can only be tried on a real device; the rest is tested on a socket that keeps
//! messages apart as the interface does.

use std::{
    fs::{File, OpenOptions},
    io::{self, Read},
    os::fd::AsFd,
    path::Path,
    time::Duration,
};

use super::{
    DataBits, Greeting, HidCable, LONGEST_READ_WAIT, LONGEST_REPORT, Port, ReadOutcome, Settings,
    connection::read_outcome,
    ioctl::send_feature,
    wait::{Deadline, never_block, readable, write_all},
};

/// How long one report of the greeting may take.
const GREETING_PATIENCE: Duration = Duration::from_secs(1);

pub(super) struct Hid {
    node: File,
    cable: HidCable,
    data_bits: DataBits,
    report: Vec<u8>,
    /// Bytes of a report that found no room in the reader's buffer.
    rest: Vec<u8>,
    /// Short reports so far; each power of ten is reported.
    short: u64,
    /// The report of them, until it is taken.
    warning: Option<String>,
}

impl Hid {
    pub(super) fn open(path: &Path, settings: &Settings) -> io::Result<Self> {
        let Some(cable) = &settings.hid else {
            let message = "neither protocol nor bench file says how the reports of this HID cable carry bytes; \
                           protocols/README.md shows how, at [hid]";
            return Err(io::Error::new(io::ErrorKind::InvalidInput, message));
        };
        let node = OpenOptions::new().read(true).write(true).open(path)?;
        Self::greet(node, cable.clone(), settings.data_bits)
    }

    fn greet(node: File, cable: HidCable, data_bits: DataBits) -> io::Result<Self> {
        never_block(&node)?;
        let mut hid =
            Self { node, cable, data_bits, report: vec![0; LONGEST_REPORT], rest: Vec::new(), short: 0, warning: None };
        for greeting in &hid.cable.greeting {
            match greeting {
                Greeting::Feature(report) => send_feature(&hid.node, report)?,
                Greeting::Output(report) => write_all(&mut hid.node, report, GREETING_PATIENCE)?,
            }
        }
        Ok(hid)
    }

    /// Takes one report; true when it carried bytes.
    fn take_report(&mut self) -> io::Result<bool> {
        let ReadOutcome::Bytes(length) = read_outcome(self.node.read(&mut self.report))? else {
            return Ok(false);
        };
        match self.cable.bytes(&self.report[..length], self.data_bits) {
            Ok(bytes) => self.rest.extend_from_slice(&bytes),
            Err(short) => {
                self.short += 1;
                if let Some(times) = power_of_ten(self.short) {
                    self.warning = Some(format!("{short}, {times}; does [hid] describe this cable?"));
                }
            }
        }
        Ok(!self.rest.is_empty())
    }

    fn give(&mut self, buffer: &mut [u8]) -> usize {
        let count = self.rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.rest[..count]);
        self.rest.drain(..count);
        count
    }
}

/// How often, where that is reported: at powers of ten.
fn power_of_ten(count: u64) -> Option<String> {
    match count {
        1 => Some("once".to_owned()),
        count if 10u64.checked_pow(count.ilog10()) == Some(count) => Some(format!("{count} times")),
        _ => None,
    }
}

impl Port for Hid {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        let patience = Deadline::new(patience.min(LONGEST_READ_WAIT));
        if self.rest.is_empty() {
            // Cables send empty reports all the time: they count as silence.
            loop {
                let left = patience.remaining();
                let [ready] = readable([self.node.as_fd()], left.unwrap_or_default())?;
                if ready && self.take_report()? {
                    break;
                }
                if left.is_none() {
                    return Ok(ReadOutcome::Silence);
                }
            }
        }
        Ok(ReadOutcome::Bytes(self.give(buffer)))
    }

    fn take_warning(&mut self) -> Option<String> {
        self.warning.take()
    }

    fn write_all(&mut self, bytes: &[u8], patience: Duration) -> io::Result<()> {
        let Some(outgoing) = &self.cable.outgoing else {
            let message = "[hid] does not say with `outgoing` how bytes are put in reports for this cable";
            return Err(io::Error::new(io::ErrorKind::Unsupported, message));
        };
        let patience = Deadline::new(patience);
        for report in outgoing.reports(bytes) {
            write_all(&mut self.node, &report, patience.remaining().unwrap_or_default())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::os::{fd::OwnedFd, unix::net::UnixDatagram};

    use super::*;
    use crate::port::{Outgoing, Payload};

    fn cable() -> HidCable {
        HidCable {
            payload: Payload::Counted { at: 0, bits: 0x07, from: 1 },
            mask: vec![0x80],
            greeting: vec![Greeting::Output(vec![0, 0x5a])],
            outgoing: Some(Outgoing { length: 4, count_at: Some(1), count_with: 0, from: 2, number: 0 }),
        }
    }

    fn opened(cable: HidCable) -> (Hid, UnixDatagram) {
        let (ours, device) = UnixDatagram::pair().unwrap();
        (Hid::greet(File::from(OwnedFd::from(ours)), cable, DataBits::Seven).unwrap(), device)
    }

    #[test]
    fn reports_become_bytes_and_bytes_become_reports() {
        let (mut hid, device) = opened(cable());
        let mut report = [0; 64];
        assert_eq!(device.recv(&mut report).unwrap(), 2);
        assert_eq!(report[..2], [0, 0x5a]);

        for sent in [&[0xf0, 0, 0][..], &[0xf7, 1], &[0xf2, b'1' | 0x80, b'2' | 0x80, 9]] {
            device.send(sent).unwrap();
        }
        let mut one = [0; 1];
        assert_eq!(hid.read(&mut one, LONGEST_READ_WAIT).unwrap(), ReadOutcome::Bytes(1));
        assert_eq!(&one, b"1");
        assert_eq!(hid.read(&mut one, LONGEST_READ_WAIT).unwrap(), ReadOutcome::Bytes(1));
        assert_eq!(&one, b"2");
        assert_eq!(hid.read(&mut one, Duration::ZERO).unwrap(), ReadOutcome::Silence);
        assert_eq!(
            hid.take_warning().unwrap(),
            "a report of 2 bytes came where at least 8 were expected, once; does [hid] describe this cable?"
        );
        assert_eq!(hid.take_warning(), None);

        // What is left of the mask is a parity bit.
        device.send(&[0xf1, b'3', 0]).unwrap();
        assert_eq!(hid.read(&mut one, LONGEST_READ_WAIT).unwrap(), ReadOutcome::Bytes(1));
        assert_eq!(&one, b"3");

        hid.write_all(b"abc", LONGEST_READ_WAIT).unwrap();
        assert_eq!(device.recv(&mut report).unwrap(), 4);
        assert_eq!(report[..4], [0, 2, b'a', b'b']);
        assert_eq!(device.recv(&mut report).unwrap(), 4);
        assert_eq!(report[..4], [0, 1, b'c', 0]);
    }

    #[test]
    fn a_cable_without_a_description_is_refused() {
        let error = Hid::open(Path::new("/dev/hidraw0"), &Settings::default()).err().unwrap();
        assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
        let (mut hid, _device) = opened(HidCable { outgoing: None, ..cable() });
        assert_eq!(hid.write_all(b"x", LONGEST_READ_WAIT).unwrap_err().kind(), io::ErrorKind::Unsupported);
    }
}
