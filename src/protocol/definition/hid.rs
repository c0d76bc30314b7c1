//! `[hid]`: how the reports of a HID meter cable carry the bytes of the meter's line.
//!
//! It says nothing of frames: the same frame comes through different cables, so a bench file may say
//! the same of a cable of its own.

use serde::Deserialize;
use toml::Spanned;

use super::file::File;
use crate::{
    mistake::{Mistake, Source},
    port::{Greeting, HidCable, LONGEST_REPORT, Outgoing, Payload},
};

/// A cable's layout as a person writes it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct HidTable {
    payload: Spanned<PayloadText>,
    mask: Option<Spanned<String>>,
    #[serde(default)]
    greeting: Vec<Spanned<GreetingText>>,
    outgoing: Option<Spanned<OutgoingText>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PayloadText {
    at: Spanned<usize>,
    count: Option<Spanned<usize>>,
    count_at: Option<Spanned<usize>>,
    count_bits: Option<Spanned<u8>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct GreetingText {
    feature: Option<Spanned<String>>,
    output: Option<Spanned<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutgoingText {
    length: Spanned<usize>,
    at: Spanned<usize>,
    count_at: Option<Spanned<usize>>,
    count_with: Option<Spanned<u8>>,
    number: Option<u8>,
}

impl HidTable {
    /// The layout that it describes.
    ///
    /// # Errors
    /// The first mistake, with its line.
    pub(crate) fn cable(self, source: Source<'_>) -> Result<HidCable, Mistake> {
        let file = File { origin: source.file, text: source.text };
        Ok(HidCable {
            payload: file.payload(self.payload)?,
            mask: self.mask.map_or(Ok(Vec::new()), |mask| file.report(&mask))?,
            greeting: self.greeting.into_iter().map(|one| file.greeting(one)).collect::<Result<_, _>>()?,
            outgoing: self.outgoing.map(|outgoing| file.outgoing(outgoing)).transpose()?,
        })
    }
}

impl File<'_> {
    fn payload(&self, text: Spanned<PayloadText>) -> Result<Payload, Mistake> {
        let (span, text) = (text.span(), text.into_inner());
        let from = self.report_place(&text.at)?;
        match (text.count, text.count_at) {
            (Some(count), None) => {
                if let Some(bits) = text.count_bits {
                    return Err(self.mistake(bits.span(), "found `count_bits` without `count_at`, expected both"));
                }
                let is_good = (1..=LONGEST_REPORT - from).contains(count.get_ref());
                let wrong = || self.mistake(count.span(), format!("expected 1 to {} bytes", LONGEST_REPORT - from));
                is_good.then_some(Payload::Fixed { from, count: *count.get_ref() }).ok_or_else(wrong)
            }
            (None, Some(at)) => {
                let bits = match &text.count_bits {
                    None => 8,
                    Some(bits) if (1..=8).contains(bits.get_ref()) => *bits.get_ref(),
                    Some(bits) => return Err(self.mistake(bits.span(), "expected 1 to 8 bits")),
                };
                Ok(Payload::Counted { at: self.report_place(&at)?, bits: u8::MAX >> (8 - bits), from })
            }
            _ => Err(self.mistake(span, "expected `count`, or `count_at` for a report that tells it")),
        }
    }

    fn greeting(&self, text: Spanned<GreetingText>) -> Result<Greeting, Mistake> {
        let (span, text) = (text.span(), text.into_inner());
        match (text.feature, text.output) {
            (Some(report), None) => Ok(Greeting::Feature(self.report(&report)?)),
            (None, Some(report)) => Ok(Greeting::Output(self.report(&report)?)),
            _ => Err(self.mistake(span, "expected `feature` or `output` in a greeting")),
        }
    }

    fn outgoing(&self, text: Spanned<OutgoingText>) -> Result<Outgoing, Mistake> {
        let (span, text) = (text.span(), text.into_inner());
        let length = *text.length.get_ref();
        if !(2..=LONGEST_REPORT).contains(&length) {
            return Err(self.mistake(text.length.span(), format!("expected a length of 2 to {LONGEST_REPORT} bytes")));
        }
        let from = self.report_place(&text.at)?;
        if !(1..length).contains(&from) {
            let message = format!("expected a byte from 2 to {length}; the first is the report's number");
            return Err(self.mistake(text.at.span(), message));
        }
        let count_at = text.count_at.as_ref().map(|at| self.report_place(at)).transpose()?;
        if let (Some(at), Some(text)) = (count_at, &text.count_at)
            && at >= from
        {
            return Err(self.mistake(text.span(), format!("expected a byte before byte {}", from + 1)));
        }
        let count_with = match (&text.count_with, count_at) {
            (Some(with), None) => {
                return Err(self.mistake(with.span(), "found `count_with` without `count_at`, expected both"));
            }
            (with, _) => with.as_ref().map_or(0, |with| *with.get_ref()),
        };
        let outgoing = Outgoing { length, count_at, count_with, from, number: text.number.unwrap_or(0) };
        match outgoing.room() {
            0 => Err(self.mistake(span, "expected room for a count of at least 1 below the bits of `count_with`")),
            _ => Ok(outgoing),
        }
    }

    /// A byte of a report counted from 1, counted from 0.
    fn report_place(&self, at: &Spanned<usize>) -> Result<usize, Mistake> {
        let wrong = || self.mistake(at.span(), format!("expected a byte of the report, from 1 to {LONGEST_REPORT}"));
        at.get_ref().checked_sub(1).filter(|at| *at < LONGEST_REPORT).ok_or_else(wrong)
    }

    /// The bytes of a report, in hexadecimal digits.
    pub(super) fn report(&self, text: &Spanned<String>) -> Result<Vec<u8>, Mistake> {
        let wrong =
            || self.mistake(text.span(), format!("expected 1 to {LONGEST_REPORT} bytes, in hexadecimal digits"));
        let bytes = self.hex(text)?;
        (1..=LONGEST_REPORT).contains(&bytes.len()).then_some(bytes).ok_or_else(wrong)
    }
}
