//! Text at fixed positions: digits, and codes that say what they are digits of.
//!
//! Meter chips with a serial output send such reports: a character for the range, the digits, one
//! for the function, and some whose bits are the symbols of the display.

use std::ops::Range;

use super::{
    DecodeOutcome, Sink,
    flags::FlagRule,
    shown::{DisplayEffect, DisplayState},
};
use crate::protocol::{
    number::Token,
    problem::{DecodeError, Defect},
};

/// What such a report is.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct ReportRule {
    /// What the value is called.
    pub name: [String; 1],
    /// Bytes of a report, without what ends it.
    pub length: usize,
    /// Digits, with spaces before them and perhaps a point.
    pub digits: Range<usize>,
    /// A character that is `-` for values below zero.
    pub sign: Option<usize>,
    /// The character that tells the range.
    pub range: Option<usize>,
    pub codes: Vec<ReportCodeRule>,
    pub flags: Vec<FlagRule>,
    /// Texts in place of the digits that say too much.
    pub overload: Vec<Vec<u8>>,
}

/// A code and what its values say.
#[derive(Debug, Clone)]
pub(in crate::protocol) struct ReportCodeRule {
    pub at: Range<usize>,
    pub is: Vec<(Vec<u8>, ReportCode)>,
}

/// What one value of a code says.
#[derive(Debug, Clone, Default)]
pub(in crate::protocol) struct ReportCode {
    pub effects: Vec<DisplayEffect>,
    /// What the last digit is worth as a power of ten, by range: the first for range `0`. Empty
    /// where the range is told otherwise.
    pub places: Vec<i8>,
}

/// Reads such reports.
#[derive(Debug)]
pub(in crate::protocol) struct ReportDecoder {
    rule: ReportRule,
}

impl ReportDecoder {
    pub(crate) fn new(rule: ReportRule) -> Self {
        Self { rule }
    }

    pub(crate) fn decode(&mut self, frame: &[u8], sink: &mut Sink<'_>) -> Result<DecodeOutcome, DecodeError> {
        let expected = self.rule.length;
        if frame.len() != expected {
            return Err(DecodeError::whole(Defect::Length { found: frame.len(), expected }));
        }
        let mut shown = DisplayState::NOTHING;
        for code in &self.rule.codes {
            self.add_code(code, frame, &mut shown)?;
        }
        for flag in &self.rule.flags {
            flag.add_to(&mut shown, frame)?;
        }
        match self.rule.sign.map(|at| (at, frame[at])) {
            None | Some((_, b'+' | b' ' | b'0')) => {}
            Some((_, b'-')) => shown.add(&DisplayEffect::Minus),
            Some((at, _)) => return Err(DecodeError::at(at..at + 1, Defect::UnknownCode)),
        }
        let token = self.number(frame, &shown)?;
        // The only fixed name has the number 0.
        sink.shown(0, token, shown.annunciators, self.rule.digits.clone())?;
        Ok(DecodeOutcome::Frame)
    }

    fn add_code(&self, rule: &ReportCodeRule, frame: &[u8], shown: &mut DisplayState) -> Result<(), DecodeError> {
        let unknown = |at: Range<usize>| DecodeError::at(at, Defect::UnknownCode);
        let text = &frame[rule.at.clone()];
        let (_, code) = rule.is.iter().find(|(known, _)| known == text).ok_or(unknown(rule.at.clone()))?;
        shown.add_all(&code.effects);
        if let (Some(range), false) = (self.rule.range, code.places.is_empty()) {
            let index = usize::from(frame[range].wrapping_sub(b'0'));
            let place = code.places.get(index).ok_or(unknown(range..range + 1))?;
            shown.add(&DisplayEffect::Place(*place));
        }
        Ok(())
    }

    fn number(&self, frame: &[u8], shown: &DisplayState) -> Result<Result<Token, Defect>, DecodeError> {
        let text = &frame[self.rule.digits.clone()];
        if self.rule.overload.iter().any(|word| word == text) {
            return Ok(shown.over());
        }
        let (mut digits, mut decimals, mut count) = (0u64, None, 0);
        for (index, byte) in text.iter().enumerate() {
            match byte {
                b'0'..=b'9' => {
                    digits = digits * 10 + u64::from(byte - b'0');
                    count += 1;
                    decimals = decimals.map(|decimals: i32| decimals + 1);
                }
                b'.' if decimals.is_none() => decimals = Some(0),
                b' ' if count == 0 && decimals.is_none() => {}
                _ => {
                    let at = self.rule.digits.start + index;
                    return Err(DecodeError::at(at..at + 1, Defect::NotDigits));
                }
            }
        }
        if count == 0 {
            return Err(DecodeError::at(self.rule.digits.clone(), Defect::NotDigits));
        }
        Ok(shown.digits(digits, -decimals.unwrap_or(0)))
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::tests::decoded;

    const RULE: &str = "[frame]\nkind = \"line\"\n[decode]\nkind = \"report\"\nlength = 8\ndigits = { at = 2, count = 4 }\n\
        range = 1\noverload = [\" 0L \"]\n\
        codes = [{ at = 6, is = { \"a\" = { shows = \"V\", places = [-3, -2] }, \"b\" = { shows = [\"k\", \"ohm\"], places = [-3] }, \"c\" = \"%\" } }]\n\
        flags = [{ bit = \"7.2\", shows = \"minus\" }, { bit = \"7.0\", shows = \"over\" },\n\
        { bit = \"8.3\", form = \"hex\", shows = \"DC\", otherwise = \"AC\" },\n\
        { bit = \"8.0\", form = \"hex\", when = { at = 6, is = \"c\" }, shows = \"hold\" }]\n";

    fn check(text: &str, expected: &str) {
        assert_eq!(decoded(RULE, format!("{text}\r\n").as_bytes()), [expected], "{text}");
    }

    #[test]
    fn range_and_function_say_what_the_digits_are() {
        check("01234a08", "value = 1.234 V DC");
        check("11234a47", "value = -12.34 V AC");
        check("0 470b09", "value = 470 ohm");
        check("0  50c09", "value = 50 % [hold]");
        check("01234a18", "value = OL V DC");
        check("0 0L b08", "value = OL ohm");
    }

    #[test]
    fn damage_is_told_at_its_byte() {
        check("012x4a08", "! byte 4: found \"x\", expected digits");
        check("01234x08", "! byte 6: found \"x\", expected a code that the protocol knows");
        check("91234a08", "! byte 1: found \"9\", expected a code that the protocol knows");
        check("01234a0x", "! byte 8: found \"x\", expected hexadecimal digits");
        check("01234a0", "! found 7 bytes, expected 8");
        check("0    a08", "! byte 2: found \"    \", expected digits");
    }
}
