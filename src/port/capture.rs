//! Recorded bytes with their times of arrival: what `capture` writes and a `file:` port replays.
//!
//! A text, so that a person can read what a meter sent, cut out what matters and send it on. It
//! knows nothing of files or clocks.

use std::{
    fmt::Write as _,
    io::{self, BufRead, Read, Write},
    time::Duration,
};

/// The first line of every capture.
const FIRST_LINE: &str = "bayline capture 1";

/// Most bytes in a line of the file: a longer chunk is split, so that lines stay readable.
const LONGEST_PIECE: usize = 1024;

/// No line is longer: four characters for each byte, and the time.
const LONGEST_LINE: usize = 4 * LONGEST_PIECE + 64;

/// One line of a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Entry {
    /// When it was, since the capture began.
    pub at: Duration,
    /// What it was.
    pub what: Recorded,
}

/// What happened at a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Recorded {
    /// Bytes arrived.
    Bytes(Vec<u8>),
    /// The port was opened.
    Opened,
    /// The port went away.
    Lost(String),
}

/// Writes a capture.
///
/// # Format
/// Lines of ASCII, each ended by a line feed. The first is `bayline capture 1`. Lines that begin
/// with `#`, and empty ones, are for people. Every other line is the time in whole microseconds
/// since the capture began, one space, and one of:
/// - `"…"`: bytes that are mostly text. `\r`, `\n`, `\t`, `\"` and `\\` stand for those characters and
///   `\x1b` for the byte of that number; every other character is a printable one and itself.
/// - `<…>`: other bytes, two hexadecimal digits each; spaces between them mean nothing.
/// - `opened`: the port was opened.
/// - `lost WHY`: the port went away.
///
/// Each line is written as a whole, so that a recording cut off at any moment is complete up to its
/// last line. A line whose end is missing is left out by the reader.
///
/// # Example
/// ```text
/// bayline capture 1
/// # /dev/ttyUSB0, 9600 8N1
/// 0 opened
/// 151203 "12.45 V\r\n"
/// 252012 "\xb5\t\"\\"
/// 900000 <1b 00 ff 7c>
/// 950000 lost the other end closed it
/// ```
#[derive(Debug)]
pub(crate) struct CaptureWriter<W> {
    out: W,
    line: String,
}

impl<W: Write> CaptureWriter<W> {
    /// Begins a capture; `about` describes its source for a reader.
    ///
    /// # Errors
    /// Those of the writer.
    pub(crate) fn new(mut out: W, about: &str) -> io::Result<Self> {
        let mut line = format!("{FIRST_LINE}\n");
        for about in about.lines() {
            line.push_str("# ");
            push_plain(&mut line, about);
            line.push('\n');
        }
        out.write_all(line.as_bytes())?;
        Ok(Self { out, line })
    }

    /// Adds what happened so long after the capture began. An unbuffered writer holds nothing back.
    ///
    /// # Errors
    /// Those of the writer.
    pub(crate) fn bytes(&mut self, at: Duration, bytes: &[u8]) -> io::Result<()> {
        for piece in bytes.chunks(LONGEST_PIECE) {
            self.begin(at);
            if is_text(piece) {
                push_text(&mut self.line, piece);
            } else {
                push_hex(&mut self.line, piece);
            }
            self.end()?;
        }
        Ok(())
    }

    /// The port was opened.
    ///
    /// # Errors
    /// Those of the writer.
    pub(crate) fn opened(&mut self, at: Duration) -> io::Result<()> {
        self.begin(at);
        self.line.push_str("opened");
        self.end()
    }

    /// The port went away.
    ///
    /// # Errors
    /// Those of the writer.
    pub(crate) fn lost(&mut self, at: Duration, why: &str) -> io::Result<()> {
        self.begin(at);
        self.line.push_str("lost ");
        push_plain(&mut self.line, why);
        self.end()
    }

    /// Gives the writer back.
    #[cfg(test)]
    pub(crate) fn into_inner(self) -> W {
        self.out
    }

    fn begin(&mut self, at: Duration) {
        self.line.clear();
        write!(self.line, "{} ", at.as_micros()).expect("a string takes everything");
    }

    fn end(&mut self) -> io::Result<()> {
        self.line.push('\n');
        self.out.write_all(self.line.as_bytes())
    }
}

/// Three bytes of four, so that a text with a few broken ones is still read as text.
fn is_text(bytes: &[u8]) -> bool {
    let plain = bytes.iter().filter(|byte| matches!(byte, b' '..=b'~' | b'\r' | b'\n' | b'\t')).count();
    plain * 4 >= bytes.len() * 3
}

fn push_text(line: &mut String, bytes: &[u8]) {
    line.push('"');
    for byte in bytes {
        match byte {
            b'\r' => line.push_str("\\r"),
            b'\n' => line.push_str("\\n"),
            b'\t' => line.push_str("\\t"),
            b'"' => line.push_str("\\\""),
            b'\\' => line.push_str("\\\\"),
            b' '..=b'~' => line.push(char::from(*byte)),
            other => write!(line, "\\x{other:02x}").expect("a string takes everything"),
        }
    }
    line.push('"');
}

fn push_hex(line: &mut String, bytes: &[u8]) {
    let mut before = '<';
    for byte in bytes {
        write!(line, "{before}{byte:02x}").expect("a string takes everything");
        before = ' ';
    }
    line.push('>');
}

/// A remark: short, and without what would end the line.
fn push_plain(line: &mut String, text: &str) {
    let kept = text.chars().take(LONGEST_PIECE);
    line.extend(kept.map(|character| if matches!(character, ' '..='~') { character } else { '?' }));
}

/// A text that is no capture.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// It begins otherwise.
    #[error("this is no capture: it begins with \"{found}\", expected \"{FIRST_LINE}\"")]
    NotACapture {
        /// The beginning of its first line.
        found: String,
    },
    /// It can't be read.
    #[error(transparent)]
    Io(#[from] io::Error),
}

impl From<CaptureError> for io::Error {
    fn from(error: CaptureError) -> Self {
        match error {
            CaptureError::Io(error) => error,
            other => Self::new(io::ErrorKind::InvalidData, other),
        }
    }
}

/// Reads a capture, line after line. Damaged lines are counted and left out; memory is bounded.
#[derive(Debug)]
pub(crate) struct CaptureReader<R> {
    from: R,
    line: Vec<u8>,
    damaged: u64,
    cut_off: bool,
}

impl<R: BufRead> CaptureReader<R> {
    /// Begins to read.
    ///
    /// # Errors
    /// It is no capture, or can't be read.
    pub(crate) fn new(from: R) -> Result<Self, CaptureError> {
        let mut reader = Self { from, line: Vec::new(), damaged: 0, cut_off: false };
        reader.next_line()?;
        match reader.line.trim_ascii_end() {
            first if first == FIRST_LINE.as_bytes() => Ok(reader),
            other => {
                let beginning = &other[..other.len().min(40)];
                Err(CaptureError::NotACapture { found: beginning.escape_ascii().to_string() })
            }
        }
    }

    /// Lines that were not understood, without a last one that is cut off.
    pub(crate) fn damaged(&self) -> u64 {
        self.damaged
    }

    /// Whether the last line was cut off.
    pub(crate) fn cut_off(&self) -> bool {
        self.cut_off
    }

    /// Reads up to the longest line; false at the end.
    fn next_line(&mut self) -> io::Result<bool> {
        self.line.clear();
        let mut bounded = (&mut self.from).take(LONGEST_LINE as u64);
        bounded.read_until(b'\n', &mut self.line)?;
        Ok(!self.line.is_empty())
    }

    fn next_entry(&mut self) -> io::Result<Option<Entry>> {
        while self.next_line()? {
            let whole = self.line.ends_with(b"\n");
            let line = self.line.trim_ascii_end();
            if line.is_empty() || line.starts_with(b"#") {
                continue;
            }
            match entry(line) {
                Some(entry) => return Ok(Some(entry)),
                // A line longer than any comes in pieces, each of which is damaged.
                None if whole || self.line.len() >= LONGEST_LINE => self.damaged += 1,
                None => self.cut_off = true,
            }
        }
        Ok(None)
    }
}

impl<R: BufRead> Iterator for CaptureReader<R> {
    type Item = io::Result<Entry>;

    fn next(&mut self) -> Option<Self::Item> {
        self.next_entry().transpose()
    }
}

fn entry(line: &[u8]) -> Option<Entry> {
    let space = line.iter().position(|byte| *byte == b' ')?;
    let (time, rest) = (&line[..space], &line[space + 1..]);
    if !time.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let at = Duration::from_micros(str::from_utf8(time).ok()?.parse().ok()?);
    let what = match rest {
        [b'"', inner @ .., b'"'] => Recorded::Bytes(text(inner)?),
        [b'<', inner @ .., b'>'] => Recorded::Bytes(hex(inner)?),
        b"opened" => Recorded::Opened,
        b"lost" => Recorded::Lost(String::new()),
        [b'l', b'o', b's', b't', b' ', why @ ..] => Recorded::Lost(String::from_utf8_lossy(why).into_owned()),
        _ => return None,
    };
    Some(Entry { at, what })
}

fn text(inner: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(inner.len());
    let mut left = inner.iter().copied();
    while let Some(byte) = left.next() {
        bytes.push(match byte {
            b'\\' => match left.next()? {
                b'r' => b'\r',
                b'n' => b'\n',
                b't' => b'\t',
                b'x' => 16 * digit(left.next()?)? + digit(left.next()?)?,
                same @ (b'"' | b'\\') => same,
                _ => return None,
            },
            b' '..=b'~' if byte != b'"' => byte,
            _ => return None,
        });
    }
    Some(bytes)
}

fn hex(inner: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(inner.len() / 2);
    let mut digits = inner.iter().copied().filter(|byte| *byte != b' ');
    while let Some(high) = digits.next() {
        bytes.push(16 * digit(high)? + digit(digits.next()?)?);
    }
    Some(bytes)
}

fn digit(character: u8) -> Option<u8> {
    char::from(character).to_digit(16).and_then(|digit| u8::try_from(digit).ok())
}

#[cfg(test)]
mod tests;
