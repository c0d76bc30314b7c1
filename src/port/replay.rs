//! A recorded capture as a port.

use std::{
    fs::File,
    io::{self, BufReader},
    path::{Path, PathBuf},
    thread,
    time::Duration,
};

use super::{CaptureReader, LONGEST_READ_WAIT, Pace, Port, ReadOutcome, Recorded};
use crate::clock::Clock;

pub(super) struct Replay {
    path: PathBuf,
    reader: CaptureReader<BufReader<File>>,
    pace: Pace,
    clock: Clock,
    /// When the first bytes came in the capture's time; the replay begins with them.
    first: Option<Duration>,
    /// Bytes that are next, and when they come after the first ones.
    next: Vec<u8>,
    due: Duration,
}

impl Replay {
    pub(super) fn open(path: &Path, pace: Pace) -> io::Result<Self> {
        let reader = CaptureReader::new(BufReader::new(File::open(path)?))?;
        let clock = Clock::start();
        Ok(Self { path: path.to_owned(), reader, pace, clock, first: None, next: Vec::new(), due: Duration::ZERO })
    }

    /// Takes the next bytes out of the capture; false at its end.
    fn fetch(&mut self) -> bool {
        loop {
            match self.reader.next() {
                // A loss in the recording shows as the gap that it made.
                Some(Ok(entry)) => {
                    if let Recorded::Bytes(bytes) = entry.what {
                        let first = *self.first.get_or_insert(entry.at);
                        // A capture put together from several may go back in time.
                        self.due = self.due.max(entry.at.saturating_sub(first));
                        self.next = bytes;
                        if !self.next.is_empty() {
                            return true;
                        }
                    }
                }
                Some(Err(error)) => {
                    // To open it again would replay its beginning once more.
                    tracing::error!("{} can't be read further: {error}", self.path.display());
                    return false;
                }
                None => return false,
            }
        }
    }

    fn report_damage(&self) {
        let (damaged, path) = (self.reader.damaged(), self.path.display());
        if damaged > 0 {
            tracing::warn!("{damaged} lines of {path} are damaged and were left out");
        }
        if self.reader.cut_off() {
            tracing::warn!("the last line of {path} is cut off and was left out");
        }
    }
}

impl Port for Replay {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        if self.next.is_empty() && !self.fetch() {
            self.report_damage();
            return Ok(ReadOutcome::Ended);
        }
        if self.pace == Pace::Recorded {
            let elapsed = Duration::from_micros(self.clock.mono().0.unsigned_abs());
            let wait = self.due.saturating_sub(elapsed);
            let patience = patience.min(LONGEST_READ_WAIT);
            thread::sleep(wait.min(patience));
            if wait > patience {
                return Ok(ReadOutcome::Silence);
            }
        }
        let count = self.next.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.next[..count]);
        self.next.drain(..count);
        Ok(ReadOutcome::Recorded(count, self.due))
    }

    fn write_all(&mut self, _bytes: &[u8], _patience: Duration) -> io::Result<()> {
        Err(io::Error::new(io::ErrorKind::Unsupported, "a recorded capture takes no requests"))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    const CAPTURE: &str = "bayline capture 1\n\
        5000000 opened\n\
        5000000 \"1.5\\n\"\n\
        5010000 \"1.\"\n\
        5009000 \"6\\n\"\n\
        broken\n\
        5030000 lost its cable\n\
        5040000 <37 0a>\n\
        5050000 \"cut";

    fn file() -> tempfile::NamedTempFile {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(CAPTURE.as_bytes()).unwrap();
        file
    }

    fn all(port: &mut Replay) -> Vec<(Vec<u8>, u64)> {
        let mut buffer = [0; 3];
        let mut heard = Vec::new();
        loop {
            match port.read(&mut buffer, LONGEST_READ_WAIT).unwrap() {
                ReadOutcome::Recorded(count, at) => {
                    heard.push((buffer[..count].to_vec(), u64::try_from(at.as_micros()).unwrap()));
                }
                ReadOutcome::Silence => {}
                ReadOutcome::Ended => return heard,
                ReadOutcome::Bytes(_) => panic!("bytes of a capture have their time"),
            }
        }
    }

    #[test]
    fn it_gives_the_bytes_with_their_times_and_ends() {
        let file = file();
        let expected = [("1.5", 0), ("\n", 0), ("1.", 10_000), ("6\n", 10_000), ("7\n", 40_000)]
            .map(|(bytes, at)| (bytes.as_bytes().to_vec(), at));
        for pace in [Pace::Fast, Pace::Recorded] {
            let mut port = Replay::open(file.path(), pace).unwrap();
            assert_eq!(all(&mut port), expected);
            assert_eq!(port.read(&mut [0; 3], LONGEST_READ_WAIT).unwrap(), ReadOutcome::Ended);
            assert!(port.write_all(b"x", LONGEST_READ_WAIT).is_err());
        }
    }

    #[test]
    fn its_own_pace_is_never_faster_than_recorded() {
        let file = file();
        let clock = Clock::start();
        all(&mut Replay::open(file.path(), Pace::Recorded).unwrap());
        assert!(clock.mono().0 >= 40_000);
    }

    #[test]
    fn what_is_no_capture_is_reported() {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(b"1.5\n").unwrap();
        let error = Replay::open(file.path(), Pace::Fast).err().unwrap();
        assert!(error.to_string().contains("no capture"), "{error}");
    }
}
