//! `[[example]]`: bytes, and what they must give.

use std::ops::Range;

use serde::Deserialize;
use toml::Spanned;

use super::hid::ReportBytes;
use crate::{
    mistake::{Mistake, Source},
    port::{DataBits, HidCable, ShortReport},
    protocol::{
        frame::FrameRule,
        poll::{PollRule, RequestId},
        values::HexBytes,
    },
};

/// Bytes, and what they must give.
#[derive(Debug, Clone)]
pub struct Example {
    /// Its line in the file.
    pub line: usize,
    /// What the meter sends, piece by piece.
    pub pieces: Vec<Piece>,
    /// The readings, in canonical form.
    pub gives: Vec<String>,
    /// A part of the first problem's reason, where there must be one.
    pub refused: Option<String>,
    /// It is what comes right after connecting, so it is not tried behind other frames.
    pub after_connecting: bool,
}

/// What a meter sends in one go.
#[derive(Debug, Clone)]
pub struct Piece {
    /// The request that it answers.
    pub request: Option<RequestId>,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// How they were transported.
    pub transport: Transport,
}

/// How bytes of the meter's line are transported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// As they are.
    Plain,
    /// In the reports of a HID cable.
    InReports {
        /// The first report that is shorter than its own count.
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
        self.pieces.iter().any(|piece| piece.transport != Transport::Plain)
    }

    /// The first report that is too short.
    pub fn short_report(&self) -> Option<ShortReport> {
        self.pieces.iter().find_map(|piece| match piece.transport {
            Transport::InReports { short } => short,
            Transport::Plain => None,
        })
    }
}

/// `[[example]]` as the file has it: text, digits or reports, which become bytes by the rest of the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExampleTable {
    text: Option<String>,
    hex: Option<HexBytes>,
    hid: Option<Spanned<Vec<ReportBytes>>>,
    asked: Option<Spanned<String>>,
    #[serde(default)]
    dialogue: Vec<Spanned<PieceTable>>,
    #[serde(default)]
    gives: Vec<String>,
    refused: Option<String>,
    #[serde(default)]
    after_connecting: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PieceTable {
    text: Option<String>,
    hex: Option<HexBytes>,
    hid: Option<Spanned<Vec<ReportBytes>>>,
    asked: Option<Spanned<String>>,
}

/// What of the file turns an example into the bytes of frames.
#[derive(Clone, Copy)]
pub(super) struct ExampleContext<'a> {
    pub frame: &'a FrameRule,
    pub poll: Option<&'a PollRule>,
    pub hid: Option<&'a HidCable>,
    pub data_bits: DataBits,
    pub source: Source<'a>,
}

impl ExampleTable {
    pub(super) fn example(table: Spanned<Self>, context: ExampleContext<'_>) -> Result<Example, Mistake> {
        let (span, table) = (table.span(), table.into_inner());
        let Self { text, hex, hid, asked, dialogue, gives, refused, after_connecting } = table;
        let pieces = if dialogue.is_empty() {
            vec![PieceTable { text, hex, hid, asked }.piece(&span, context)?]
        } else if text.is_some() || hex.is_some() || hid.is_some() || asked.is_some() {
            let message = "found a `dialogue` beside `text`, `hex`, `hid` or `asked`, expected it alone";
            return Err(context.source.mistake(span, message));
        } else {
            let pieces = dialogue.into_iter().map(|piece| {
                let span = piece.span();
                piece.into_inner().piece(&span, context)
            });
            pieces.collect::<Result<_, _>>()?
        };
        if gives.is_empty() && refused.is_none() {
            return Err(context.source.mistake(span, "expected `gives` or `refused` in an example"));
        }
        Ok(Example { line: context.source.line(span.start), pieces, gives, refused, after_connecting })
    }
}

impl PieceTable {
    fn piece(self, span: &Range<usize>, context: ExampleContext<'_>) -> Result<Piece, Mistake> {
        let source = context.source;
        let (bytes, transport) = match (self.text, self.hex, self.hid) {
            (Some(text), None, None) => (context.frame.with_end(text.into_bytes()), Transport::Plain),
            (None, Some(HexBytes(bytes)), None) => (bytes, Transport::Plain),
            (None, None, Some(reports)) => carried(reports, context)?,
            _ => return Err(source.mistake(span.clone(), "expected `text`, `hex` or `hid` in an example")),
        };
        let request = self.asked.map(|name| PollRule::find(context.poll, &name, source)).transpose()?;
        Ok(Piece { request, bytes, transport })
    }
}

/// What the reports of a HID cable carry.
fn carried(reports: Spanned<Vec<ReportBytes>>, context: ExampleContext<'_>) -> Result<(Vec<u8>, Transport), Mistake> {
    let Some(cable) = context.hid else {
        let message = "found reports of a HID cable, expected a part [hid] that says how they carry bytes";
        return Err(context.source.mistake(reports.span(), message));
    };
    let (mut bytes, mut first_short) = (Vec::new(), None);
    for ReportBytes(report) in reports.into_inner() {
        match cable.bytes(&report, context.data_bits) {
            Ok(carried) => bytes.extend_from_slice(&carried),
            Err(short) => {
                first_short.get_or_insert(short);
            }
        }
    }
    Ok((bytes, Transport::InReports { short: first_short }))
}
