//! A protocol file: its parts, in the order in which they are read. Each part is read and checked by the type that it becomes, by
//! what the parts before it are where it must agree with them:
//! `[frame]` in `frame/`, `[decode]` in `decode/`, `[checksum]` in `checksum/keys.rs`, `[poll]` in `poll.rs`,
//! `[serial]` in `serial.rs`.
//!
//! Read on here, then in `hid` and `example`.
//!
//! ```toml
//! name = "two-clamps"                 # as the file is called
//! about = "Two clamps, in amps, ten times a second"
//! source = "the board's own program"
//!
//! [frame]
//! kind = "line"                       # terminator = "\n", longest = 512, comment = "#"
//!
//! [decode]
//! kind = "columns"
//! names = ["lift coil", "bucket coil"]
//!
//! [[example]]
//! text = "0.512,1.20"
//! gives = ["lift coil = 0.512", "bucket coil = 1.20"]
//! ```
//!
//! `protocols/README.md` lists every key.

mod example;
mod hid;

#[cfg(test)]
mod tests;

use std::{str::FromStr, time::Duration};

use serde::Deserialize;
use toml::{Spanned, de::DeTable};

use self::example::{ExampleContext, ExampleTable};
use super::{
    Action,
    checksum::ChecksumRule,
    counters::CountersRule,
    decode::DecodeRule,
    frame::FrameRule,
    poll::PollRule,
    serial::SerialSettings,
    tables::{self, EarlierParts, KindTable},
    values::HexBytes,
};
use crate::{
    mistake::{Mistake, Source},
    port::{HidCable, Settings},
    words::from_text,
};

pub use example::Example;
pub(crate) use example::Piece;
pub(crate) use hid::HidTable;

/// How bytes become readings, as one file in `protocols/` describes it.
#[derive(Debug, Clone)]
pub struct Protocol {
    /// As the file is called, without `.toml`.
    pub name: String,
    /// What sends such frames, in a line.
    pub about: String,
    /// Where the facts come from.
    pub source: String,
    /// The file as the user would name it.
    pub origin: String,
    /// How a serial line must be set for it.
    pub serial: SerialSettings,
    /// How the reports of the HID cable that such meters come with carry bytes; none where the file has no `[hid]`.
    pub hid: Option<HidCable>,
    pub(super) frame: FrameRule,
    /// A frame with a longer pause in it is damaged; none where the meter may take its time.
    pub(super) pause: Option<Duration>,
    pub(super) checksum: Option<ChecksumRule>,
    pub(super) poll: Option<PollRule>,
    pub(super) decode: DecodeRule,
    pub(super) counters: CountersRule,
    /// Whole frames that are a press of a button.
    pub(super) actions: Vec<ButtonFrame>,
    value_names: Option<Vec<String>>,
    examples: Vec<Example>,
    /// The line where the file's first example begins, or its end.
    pub(super) examples_line: usize,
}

/// Whether the meter sends by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Traffic {
    /// The meter sends by itself: listening is enough, and disturbs nothing.
    Streaming,
    /// The meter answers requests.
    Polled,
}

impl Protocol {
    /// Whether its frames are lines of a board, which have nothing but their likeness to know damage by.
    pub(super) fn is_of_alike_lines(&self) -> bool {
        self.checksum.is_none() && self.frame.is_line() && self.decode.is_of_named_numbers()
    }

    /// Reads a file. `origin` is how the user knows it.
    ///
    /// # Errors
    /// The first mistake, with its line.
    pub fn parse(origin: &str, text: &str) -> Result<Self, Mistake> {
        let source = Source { file: origin, text };
        let table = DeTable::parse(text).map_err(|error| source.toml_mistake(&error))?;
        let mut table = table.into_inner();
        let mut frame = KindTable::take_required(source, &mut table, "frame")?;
        let pause = frame.take_time("pause")?;
        let decode = KindTable::take_required(source, &mut table, "decode")?;
        let checksum = KindTable::take(source, &mut table, "checksum")?;
        let poll = tables::take_table(source, &mut table, "poll")?;
        let hid = tables::take_table(source, &mut table, "hid")?;
        let head: Head = tables::read(source, Spanned::new(0..text.len(), table)).map_err(|mistake| {
            // The parts are read apart, so the reader's list lacks them.
            let message = mistake.message.replace(
                "expected one of `name`",
                "expected one of `frame`, `checksum`, `decode`, `poll`, `hid`, `name`",
            );
            Mistake { message, ..mistake }
        })?;
        let checksum = checksum.map(ChecksumRule::read).transpose()?.flatten();
        let poll = poll.map(|poll| PollRule::read(source, poll)).transpose()?;
        let parts = EarlierParts { checksum: checksum.as_ref(), poll: poll.as_ref() };
        let frame = FrameRule::read(frame, parts)?;
        let decode = DecodeRule::read(decode, parts)?;
        let hid = hid.map(|hid| HidTable::read(source, hid, parts)).transpose()?;
        let data_bits = head.serial.over(Settings::default()).data_bits;
        let context = ExampleContext { frame: &frame, poll: poll.as_ref(), hid: hid.as_ref(), data_bits, source };
        let examples_line = source.line(head.example.first().map_or(text.len(), |first| first.span().start));
        let examples = head.example.into_iter().map(|example| ExampleTable::example(example, context));
        Ok(Self {
            examples: examples.collect::<Result<_, _>>()?,
            actions: head.action.into_iter().map(|table| button(table, source)).collect::<Result<_, _>>()?,
            name: head.name.0,
            about: head.about.0,
            source: head.source.0,
            origin: origin.to_owned(),
            serial: head.serial,
            hid,
            frame,
            pause,
            checksum,
            poll,
            value_names: decode.value_names(),
            counters: decode.counters(),
            decode,
            examples_line,
        })
    }

    /// What the protocol asks of a port, and the rest as it is.
    pub fn settings(&self, other: Settings) -> Settings {
        let hid = self.hid.clone().or_else(|| other.hid.clone());
        Settings { hid, ..self.serial.over(other) }
    }

    /// The names of a frame's values where the file fixes them; none where frames bring their own.
    pub fn value_names(&self) -> Option<&[String]> {
        self.value_names.as_deref()
    }

    /// Whether frames may carry a value of this name. All are possible where frames bring their own.
    pub fn may_carry(&self, name: &str) -> bool {
        self.value_names().is_none_or(|names| names.iter().any(|known| known == name))
            || self.decode.names_a_sender(name)
    }

    /// Whether the meter sends by itself.
    pub fn traffic(&self) -> Traffic {
        if self.poll.is_some() { Traffic::Polled } else { Traffic::Streaming }
    }

    /// The examples that prove it.
    pub fn examples(&self) -> &[Example] {
        &self.examples
    }
}

/// The parts of a file that have no kinds and need no other part.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    name: ProtocolName,
    about: TextLine,
    source: TextLine,
    #[serde(default)]
    serial: SerialSettings,
    #[serde(default)]
    action: Vec<Spanned<ActionTable>>,
    #[serde(default)]
    example: Vec<Spanned<ExampleTable>>,
}

struct ProtocolName(String);

impl FromStr for ProtocolName {
    type Err = String;

    fn from_str(name: &str) -> Result<Self, String> {
        let is_name_byte = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
        if name.is_empty() || !name.bytes().all(is_name_byte) {
            return Err(format!("found the name \"{name}\", expected small letters, digits and hyphens"));
        }
        Ok(Self(name.to_owned()))
    }
}

from_text!(ProtocolName);

struct TextLine(String);

impl FromStr for TextLine {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text.trim().is_empty() {
            Err("found an empty text, expected a line of text")
        } else {
            Ok(Self(text.to_owned()))
        }
    }
}

from_text!(TextLine);

/// A whole frame that is the press of a button.
#[derive(Debug, Clone)]
pub(super) struct ButtonFrame {
    pub bytes: Vec<u8>,
    pub does: Action,
}

/// `[[action]]` as the file has it: text or digits.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ActionTable {
    text: Option<String>,
    hex: Option<HexBytes>,
    does: Action,
}

fn button(table: Spanned<ActionTable>, source: Source<'_>) -> Result<ButtonFrame, Mistake> {
    let (span, table) = (table.span(), table.into_inner());
    let bytes = match (table.text, table.hex) {
        (Some(text), None) => text.into_bytes(),
        (None, Some(HexBytes(bytes))) => bytes,
        _ => return Err(source.mistake(span, "expected `text` or `hex` in an action")),
    };
    if bytes.is_empty() {
        return Err(source.mistake(span, "found an empty action, expected what the device sends"));
    }
    Ok(ButtonFrame { bytes, does: table.does })
}
