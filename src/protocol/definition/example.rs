//! `[[example]]`: bytes, and what they must give.

use serde::Deserialize;
use toml::Spanned;

use super::file::File;
use crate::{
    mistake::Mistake,
    port::{DataBits, HidCable, ShortReport},
    protocol::{
        frame::FrameRule,
        poll::{PollRule, RequestId},
    },
};

/// Bytes, and what they must give.
#[derive(Debug, Clone)]
pub struct Example {
    /// The line of the file where it stands.
    pub line: usize,
    /// What the meter sends, piece by piece.
    pub pieces: Vec<Piece>,
    /// The readings, in canonical form.
    pub gives: Vec<String>,
    /// A part of the first problem's reason, where there must be one.
    pub refused: Option<String>,
    /// It stands for what comes right after connecting, so it is not tried behind other frames.
    pub after_connecting: bool,
}

/// What a meter sends in one go.
#[derive(Debug, Clone)]
pub struct Piece {
    /// The request that it answers.
    pub request: Option<RequestId>,
    /// What comes.
    pub bytes: Vec<u8>,
    /// How it comes.
    pub came: Transport,
}

/// How bytes come out of the meter's line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// As they are.
    Plain,
    /// In the reports of a HID cable.
    InReports {
        /// The first report that does not hold what its own count says.
        short: Option<ShortReport>,
    },
}

impl Example {
    /// All that the meter sends.
    pub fn bytes(&self) -> Vec<u8> {
        self.pieces.iter().flat_map(|piece| piece.bytes.iter().copied()).collect()
    }

    /// Whether it proves how a HID cable carries bytes.
    pub fn is_in_reports(&self) -> bool {
        self.pieces.iter().any(|piece| piece.came != Transport::Plain)
    }

    /// The first report that is too short.
    pub fn short_report(&self) -> Option<ShortReport> {
        self.pieces.iter().find_map(|piece| match piece.came {
            Transport::InReports { short } => short,
            Transport::Plain => None,
        })
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExampleText {
    text: Option<String>,
    hex: Option<Spanned<String>>,
    hid: Option<Spanned<Vec<Spanned<String>>>>,
    asked: Option<Spanned<String>>,
    #[serde(default)]
    dialogue: Vec<Spanned<PieceText>>,
    #[serde(default)]
    gives: Vec<String>,
    refused: Option<String>,
    #[serde(default)]
    after_connecting: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PieceText {
    text: Option<String>,
    hex: Option<Spanned<String>>,
    hid: Option<Spanned<Vec<Spanned<String>>>>,
    asked: Option<Spanned<String>>,
}

/// What stands between what the meter sends and the frames of an example.
#[derive(Clone, Copy)]
pub(super) struct ExampleContext<'a> {
    pub frame: &'a FrameRule,
    pub poll: Option<&'a PollRule>,
    pub hid: Option<&'a HidCable>,
    pub data_bits: DataBits,
}

impl File<'_> {
    pub(super) fn example(&self, example: Spanned<ExampleText>, way: ExampleContext<'_>) -> Result<Example, Mistake> {
        let span = example.span();
        let line = self.mistake(span.clone(), "").line;
        let example = example.into_inner();
        let pieces = if example.dialogue.is_empty() {
            let piece = PieceText { text: example.text, hex: example.hex, hid: example.hid, asked: example.asked };
            vec![self.piece(Spanned::new(span.clone(), piece), way)?]
        } else if example.text.is_some() || example.hex.is_some() || example.hid.is_some() || example.asked.is_some() {
            let message = "found a `dialogue` beside `text`, `hex`, `hid` or `asked`, expected it alone";
            return Err(self.mistake(span, message));
        } else {
            let pieces = example.dialogue.into_iter().map(|piece| self.piece(piece, way));
            pieces.collect::<Result<_, _>>()?
        };
        if example.gives.is_empty() && example.refused.is_none() {
            return Err(self.mistake(span, "expected `gives` or `refused` in an example"));
        }
        Ok(Example {
            line,
            pieces,
            gives: example.gives,
            refused: example.refused,
            after_connecting: example.after_connecting,
        })
    }

    fn piece(&self, piece: Spanned<PieceText>, way: ExampleContext<'_>) -> Result<Piece, Mistake> {
        let span = piece.span();
        let piece = piece.into_inner();
        let (bytes, came) = match (piece.text, piece.hex, piece.hid) {
            (Some(text), None, None) => (way.frame.complete(text.into_bytes()), Transport::Plain),
            (None, Some(hex), None) => (self.hex(&hex)?, Transport::Plain),
            (None, None, Some(reports)) => self.carried(reports, way)?,
            _ => return Err(self.mistake(span, "expected `text`, `hex` or `hid` in an example")),
        };
        let request = match &piece.asked {
            None => None,
            Some(name) => {
                let found = name.get_ref();
                let wrong = || {
                    self.mistake(name.span(), format!("found \"{found}\", expected the name of a request of [poll]"))
                };
                Some(way.poll.and_then(|poll| poll.named(found)).ok_or_else(wrong)?)
            }
        };
        Ok(Piece { request, bytes, came })
    }

    /// What the reports of a HID cable carry.
    fn carried(
        &self,
        reports: Spanned<Vec<Spanned<String>>>,
        way: ExampleContext<'_>,
    ) -> Result<(Vec<u8>, Transport), Mistake> {
        let Some(cable) = way.hid else {
            let message = "found reports of a HID cable, expected a part [hid] that says how they carry bytes";
            return Err(self.mistake(reports.span(), message));
        };
        let (mut bytes, mut first_short) = (Vec::new(), None);
        for report in reports.into_inner() {
            match cable.bytes(&self.report(&report)?, way.data_bits) {
                Ok(carried) => bytes.extend_from_slice(&carried),
                Err(short) => {
                    first_short.get_or_insert(short);
                }
            }
        }
        Ok((bytes, Transport::InReports { short: first_short }))
    }
}
