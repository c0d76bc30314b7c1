//! `[decode]` of displays: `segments` and `report`.

use std::{collections::BTreeMap, ops::Range};

use serde::Deserialize;
use toml::Spanned;

use super::{
    file::{File, bit},
    shows::{FlagText, ShowsText},
};
use crate::{
    mistake::Mistake,
    protocol::decode::{Bit, DigitRule, FlagRule, ReportRule, SegmentsRule, report as coded},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SegmentsText {
    name: Option<Spanned<String>>,
    length: Option<Spanned<usize>>,
    digits: Spanned<Vec<DigitText>>,
    #[serde(default)]
    flags: Vec<FlagText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DigitText {
    segments: Spanned<String>,
    point: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReportText {
    name: Option<Spanned<String>>,
    length: Spanned<usize>,
    digits: Spanned<RangeText>,
    sign: Option<Spanned<usize>>,
    range: Option<Spanned<usize>>,
    #[serde(default)]
    codes: Vec<Spanned<CodeText>>,
    #[serde(default)]
    flags: Vec<FlagText>,
    #[serde(default)]
    overload: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RangeText {
    at: Spanned<usize>,
    count: usize,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CodeText {
    at: Spanned<usize>,
    is: BTreeMap<String, Spanned<MeaningText>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum MeaningText {
    Full(FullText),
    Short(ShowsText),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FullText {
    shows: ShowsText,
    places: Vec<i8>,
}

/// More digits than this are no display's, and would not fit a number.
const MOST_DIGITS: usize = 15;

impl File<'_> {
    pub(super) fn segments_rule(&self, segments: SegmentsText) -> Result<SegmentsRule, Mistake> {
        let name = self.only_name(segments.name)?;
        let span = segments.digits.span();
        let digits =
            segments.digits.into_inner().iter().map(|digit| self.digit(digit)).collect::<Result<Vec<_>, _>>()?;
        if digits.is_empty() || digits.len() > MOST_DIGITS {
            return Err(self.mistake(span, format!("expected 1 to {MOST_DIGITS} digits")));
        }
        let flags = self.flags(segments.flags, &name)?;
        let bits = digits.iter().flat_map(|digit| digit.segments.iter().flatten().chain(&digit.point));
        let last = bits.map(|bit| bit.byte).max().max(last_byte(&flags)).map_or(0, |last| last + 1);
        let length = match &segments.length {
            Some(length) if *length.get_ref() < last => {
                return Err(
                    self.mistake(length.span(), format!("byte {last} is used, expected a length that holds it"))
                );
            }
            length => length.as_ref().map_or(last, |length| *length.get_ref()),
        };
        Ok(SegmentsRule { name, length, digits, flags })
    }

    fn digit(&self, digit: &DigitText) -> Result<DigitRule, Mistake> {
        let wrong = || {
            let expected =
                "expected seven bits for the segments a to g, as in \"1.0 1.1 …\", with - for one that is not there";
            self.mistake(digit.segments.span(), expected)
        };
        let words: Vec<&str> = digit.segments.get_ref().split_whitespace().collect();
        let bits = words.iter().map(|word| if *word == "-" { Ok(None) } else { bit(word).map(Some).ok_or_else(wrong) });
        let bits = bits.collect::<Result<Vec<Option<Bit>>, Mistake>>()?;
        let point = digit.point.as_ref().map(|point| self.bit(point)).transpose()?;
        Ok(DigitRule { segments: bits.try_into().map_err(|_| wrong())?, point })
    }

    pub(super) fn report_rule(&self, report: ReportText) -> Result<ReportRule, Mistake> {
        let name = self.only_name(report.name)?;
        let length = *report.length.get_ref();
        let flags = self.flags(report.flags, &name)?;
        let digits_span = report.digits.span();
        let digits = report.digits.into_inner();
        let at = self.place(&digits.at)?;
        if digits.count == 0 || digits.count > MOST_DIGITS {
            return Err(self.mistake(digits_span, format!("expected a count of 1 to {MOST_DIGITS} digits")));
        }
        let digits = at..at + digits.count;
        let range = report.range.as_ref().map(|at| self.place(at)).transpose()?;
        let sign = report.sign.as_ref().map(|at| self.place(at)).transpose()?;
        let codes = report.codes.into_iter().map(|code| self.code(code, range)).collect::<Result<Vec<_>, _>>()?;
        let ends = codes.iter().map(|code| code.at.end).chain([digits.end]);
        let singles = [range, sign, last_byte(&flags)].into_iter().flatten().map(|at| at + 1);
        let last = ends.chain(singles).max().unwrap_or(0);
        if length < last {
            return Err(
                self.mistake(report.length.span(), format!("byte {last} is used, expected a length that holds it"))
            );
        }
        let overload = report.overload.into_iter().map(String::into_bytes).collect();
        Ok(ReportRule { name, length, digits, sign, range, codes, flags, overload })
    }

    fn code(&self, code: Spanned<CodeText>, range: Option<usize>) -> Result<coded::ReportCodeRule, Mistake> {
        let span = code.span();
        let code = code.into_inner();
        let at = self.place(&code.at)?;
        let size = code.is.keys().next().map_or(0, String::len);
        if size == 0 || code.is.keys().any(|value| value.len() != size) {
            return Err(self.mistake(span, "expected values of one length in `is`"));
        }
        let is = code.is.into_iter().map(|(value, meaning)| Ok((value.into_bytes(), self.meaning(meaning, range)?)));
        Ok(coded::ReportCodeRule { at: Range { start: at, end: at + size }, is: is.collect::<Result<_, Mistake>>()? })
    }

    fn meaning(&self, meaning: Spanned<MeaningText>, range: Option<usize>) -> Result<coded::ReportCode, Mistake> {
        let span = meaning.span();
        match meaning.into_inner() {
            MeaningText::Full(_) if range.is_none() => {
                Err(self.mistake(span, "found places by range, expected `range` to say where it stands"))
            }
            MeaningText::Full(full) => {
                Ok(coded::ReportCode { effects: self.effects(&Spanned::new(span, full.shows))?, places: full.places })
            }
            MeaningText::Short(shows) => {
                Ok(coded::ReportCode { effects: self.effects(&Spanned::new(span, shows))?, places: Vec::new() })
            }
        }
    }
}

fn last_byte(flags: &[FlagRule]) -> Option<usize> {
    flags.iter().map(FlagRule::last_byte).max()
}
