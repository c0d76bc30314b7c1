//! `[[example]]`: bytes, and what they must give.

use serde::Deserialize;
use toml::Spanned;

use super::file::File;
use crate::{
    mistake::Mistake,
    protocol::{
        frame::FrameRule,
        poll::{Asked, PollRule},
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
    pub asked: Option<Asked>,
    /// What comes.
    pub bytes: Vec<u8>,
}

impl Example {
    /// All that the meter sends.
    pub fn bytes(&self) -> Vec<u8> {
        self.pieces.iter().flat_map(|piece| piece.bytes.iter().copied()).collect()
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExampleText {
    text: Option<String>,
    hex: Option<Spanned<String>>,
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
    asked: Option<Spanned<String>>,
}

impl File<'_> {
    pub(super) fn example(
        &self,
        example: Spanned<ExampleText>,
        frame: &FrameRule,
        poll: Option<&PollRule>,
    ) -> Result<Example, Mistake> {
        let span = example.span();
        let line = self.mistake(span.clone(), "").line;
        let example = example.into_inner();
        let pieces = if example.dialogue.is_empty() {
            let piece = PieceText { text: example.text, hex: example.hex, asked: example.asked };
            vec![self.piece(Spanned::new(span.clone(), piece), frame, poll)?]
        } else if example.text.is_some() || example.hex.is_some() || example.asked.is_some() {
            return Err(self.mistake(span, "found a `dialogue` beside `text`, `hex` or `asked`, expected it alone"));
        } else {
            let pieces = example.dialogue.into_iter().map(|piece| self.piece(piece, frame, poll));
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

    fn piece(&self, piece: Spanned<PieceText>, frame: &FrameRule, poll: Option<&PollRule>) -> Result<Piece, Mistake> {
        let span = piece.span();
        let piece = piece.into_inner();
        let bytes = match (piece.text, piece.hex) {
            (Some(text), None) => frame.complete(text.into_bytes()),
            (None, Some(hex)) => self.hex(&hex)?,
            _ => return Err(self.mistake(span, "expected `text` or `hex` in an example")),
        };
        let asked = match &piece.asked {
            None => None,
            Some(name) => {
                let found = name.get_ref();
                let wrong = || {
                    self.mistake(name.span(), format!("found \"{found}\", expected the name of a request of [poll]"))
                };
                Some(poll.and_then(|poll| poll.named(found)).ok_or_else(wrong)?)
            }
        };
        Ok(Piece { asked, bytes })
    }
}
