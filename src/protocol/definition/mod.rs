//! A protocol file: what it may say, and the checks that make it one that can be used.
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
//! `protocols/README.md` tells all that may stand in one.

mod display;
mod example;
mod fields;
mod file;
mod frame;
mod hid;
mod pattern;
mod poll;
mod shows;
mod text;

#[cfg(test)]
mod tests;

use serde::Deserialize;
use toml::{Spanned, de::DeTable};

use self::{
    example::{ExampleContext, ExampleText},
    file::{File, Part},
};
use super::{
    Action,
    checksum::ChecksumRule,
    counters::CountersRule,
    decode::DecodeRule,
    frame::{BlockRule, FrameRule},
    poll::PollRule,
    serial::SerialSettings,
};
use crate::{
    mistake::{Mistake, Source},
    port::{HidCable, Settings},
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
    /// How the reports of the HID cable carry bytes that such meters come with; none where it is not told.
    pub hid: Option<HidCable>,
    pub(super) frame: FrameRule,
    pub(super) checksum: Option<ChecksumRule>,
    pub(super) poll: Option<PollRule>,
    pub(super) decode: DecodeRule,
    pub(super) counters: CountersRule,
    /// Whole frames that are a press of a button.
    pub(super) actions: Vec<(Vec<u8>, Action)>,
    examples: Vec<Example>,
    /// The line where the file's first example begins, or its end.
    pub(super) examples_line: usize,
}

/// Who speaks first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Traffic {
    /// The meter sends by itself: listening is enough, and disturbs nothing.
    Streaming,
    /// The meter answers requests.
    Polled,
}

impl Protocol {
    /// Reads a file. `origin` is how the user knows it.
    ///
    /// # Errors
    /// The first mistake, with its line.
    pub fn parse(origin: &str, text: &str) -> Result<Self, Mistake> {
        let file = File { origin, text };
        let table = DeTable::parse(text).map_err(|error| file.toml(&error))?;
        let mut table = table.into_inner();
        let frame = file.part(&mut table, "frame")?;
        let frame_span = frame.kind.span();
        let decode = file.part(&mut table, "decode")?;
        let checksum = file.optional_part(&mut table, "checksum")?;
        let poll = file.optional_table(&mut table, "poll")?;
        let hid = file.optional_table(&mut table, "hid")?;
        let head: Head = file.read(Spanned::new(0..text.len(), table)).map_err(|mistake| {
            // The parts are read apart, so the reader's list lacks them.
            let message = mistake.message.replace(
                "expected one of `name`",
                "expected one of `frame`, `checksum`, `decode`, \
                `poll`, `hid`, `name`",
            );
            Mistake { message, ..mistake }
        })?;
        let frame = file.frame_rule(frame)?;
        let checksum = match checksum {
            Some(part) => file.checksum_rule(part)?,
            None => None,
        };
        if let (FrameRule::Block(BlockRule::Fixed { start, end, .. }), None) = (&frame, &checksum)
            && start.0.iter().chain(&end.0).all(|(_, mask)| *mask == 0)
        {
            return Err(file.mistake(frame_span, "expected `start` or `end`, or a checksum, to know a frame by"));
        }
        let poll = poll.map(|poll| file.poll_rule(file.read(poll)?)).transpose()?;
        let (decode, counters) = file.decode_rule(decode, poll.as_ref())?;
        let hid = hid.map(|hid| file.cable(hid, poll.as_ref())).transpose()?;
        head.check(&file)?;
        let end = text.len()..text.len();
        let examples_line = file.mistake(head.example.first().map_or(end, Spanned::span), "").line;
        let data_bits = head.serial.over(Settings::default()).data_bits;
        let way = ExampleContext { frame: &frame, poll: poll.as_ref(), hid: hid.as_ref(), data_bits };
        let examples = head.example.into_iter().map(|example| file.example(example, way));
        Ok(Self {
            examples: examples.collect::<Result<_, _>>()?,
            actions: head.action.into_iter().map(|action| file.action(action)).collect::<Result<_, _>>()?,
            name: head.name.into_inner(),
            about: head.about.into_inner(),
            source: head.source.into_inner(),
            origin: origin.to_owned(),
            serial: head.serial,
            hid,
            frame,
            checksum,
            poll,
            decode,
            counters,
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
        self.decode.fixed_names()
    }

    /// Who speaks first.
    pub fn traffic(&self) -> Traffic {
        if self.poll.is_some() { Traffic::Polled } else { Traffic::Streaming }
    }

    /// The examples that prove it.
    pub fn examples(&self) -> &[Example] {
        &self.examples
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    name: Spanned<String>,
    about: Spanned<String>,
    source: Spanned<String>,
    #[serde(default)]
    serial: SerialSettings,
    #[serde(default)]
    action: Vec<Spanned<ActionText>>,
    #[serde(default)]
    example: Vec<Spanned<ExampleText>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ActionText {
    text: Option<String>,
    hex: Option<Spanned<String>>,
    does: Action,
}

impl Head {
    fn check(&self, file: &File<'_>) -> Result<(), Mistake> {
        let name = self.name.get_ref();
        if name.is_empty() || !name.bytes().all(is_name_byte) {
            let message = format!("found the name \"{name}\", expected small letters, digits and hyphens");
            return Err(file.mistake(self.name.span(), message));
        }
        for (key, value) in [("about", &self.about), ("source", &self.source)] {
            if value.get_ref().trim().is_empty() {
                return Err(file.mistake(value.span(), format!("found an empty `{key}`, expected a line of text")));
            }
        }
        Ok(())
    }
}

fn is_name_byte(byte: u8) -> bool {
    byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-'
}

impl<'a> File<'a> {
    fn cable(&self, part: Spanned<DeTable<'a>>, poll: Option<&PollRule>) -> Result<HidCable, Mistake> {
        let span = part.span();
        let text: HidTable = self.read(part)?;
        let cable = text.cable(Source { file: self.origin, text: self.text })?;
        match (&cable.outgoing, poll) {
            (None, Some(_)) => Err(self.mistake(span, "expected `outgoing`, by which [poll] asks through this cable")),
            _ => Ok(cable),
        }
    }

    fn decode_rule(&self, part: Part<'a>, poll: Option<&PollRule>) -> Result<(DecodeRule, CountersRule), Mistake> {
        let plain = CountersRule::default();
        Ok(match part.kind.get_ref().as_str() {
            "columns" => {
                let (rule, counters) = self.columns_rule(self.read(part.rest)?)?;
                (DecodeRule::Columns(rule), counters)
            }
            "pairs" => {
                let (rule, counters) = self.pairs_rule(self.read(part.rest)?)?;
                (DecodeRule::Pairs(rule), counters)
            }
            "json" => {
                let (rule, counters) = self.json_rule(self.read(part.rest)?)?;
                (DecodeRule::Json(rule), counters)
            }
            "pattern" => {
                let (rule, counters) = self.pattern_rule(self.read(part.rest)?, poll)?;
                (DecodeRule::Pattern(rule), counters)
            }
            "fields" => {
                let (rule, counters) = self.fields_rule(self.read(part.rest)?)?;
                (DecodeRule::Fields(rule), counters)
            }
            "number" => (DecodeRule::Number(self.number_rule(self.read(part.rest)?)?), plain),
            "segments" => (DecodeRule::Segments(self.segments_rule(self.read(part.rest)?)?), plain),
            "report" => (DecodeRule::Report(self.report_rule(self.read(part.rest)?)?), plain),
            _ => {
                return Err(self.unknown_kind(
                    &part.kind,
                    "one of \"columns\", \"pairs\", \"json\", \"number\", \"pattern\", \"report\", \"segments\", \"fields\"",
                ));
            }
        })
    }

    fn action(&self, action: Spanned<ActionText>) -> Result<(Vec<u8>, Action), Mistake> {
        let span = action.span();
        let action = action.into_inner();
        let bytes = match (action.text, action.hex) {
            (Some(text), None) => text.into_bytes(),
            (None, Some(hex)) => self.hex(&hex)?,
            _ => return Err(self.mistake(span, "expected `text` or `hex` in an action")),
        };
        if bytes.is_empty() {
            return Err(self.mistake(span, "found an empty action, expected what the device sends"));
        }
        Ok((bytes, action.does))
    }
}
