//! Lines: text up to a terminator.

use memchr::{memchr, memchr2};
use serde::Deserialize;

use super::{Acceptance, FramerOutput};
use crate::protocol::{
    problem::{DecodeError, Defect},
    tables::independent_keys,
    values::{LongestFrame, NonEmptyText, longest_line},
};

/// What a line is.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::protocol) struct LineRule {
    #[serde(default)]
    pub terminator: LineEnd,
    /// Bytes without the terminator.
    #[serde(default = "longest_line")]
    pub longest: LongestFrame,
    /// What a line that is not for decoding begins with.
    pub comment: Option<NonEmptyText>,
}

independent_keys!(LineRule);

/// What ends a line.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(from = "NonEmptyText")]
pub(in crate::protocol) enum LineEnd {
    /// CR, LF or both, also mixed in one stream.
    #[default]
    Any,
    /// This text; a CR before a lone LF is dropped.
    Text(Vec<u8>),
}

impl From<NonEmptyText> for LineEnd {
    fn from(NonEmptyText(text): NonEmptyText) -> Self {
        Self::Text(text)
    }
}

impl LineEnd {
    /// What a device sends where the file leaves it open.
    pub(super) fn usual(&self) -> &[u8] {
        match self {
            Self::Any => b"\n",
            Self::Text(text) => text,
        }
    }

    /// A line without it; none where the line has no end.
    pub(in crate::protocol) fn strip<'a>(&self, line: &'a [u8]) -> Option<&'a [u8]> {
        match self {
            Self::Any => line.strip_suffix(b"\n").or_else(|| line.strip_suffix(b"\r")),
            Self::Text(end) => line.strip_suffix(&end[..]),
        }
    }

    /// Whether a text ends with it.
    pub(super) fn ends(&self, text: &[u8]) -> bool {
        match self {
            Self::Any => text.ends_with(b"\n") || text.ends_with(b"\r"),
            Self::Text(end) => text.ends_with(end),
        }
    }
}

/// Cuts lines. Whole lines in a chunk are handed out from the chunk itself; only the last,
/// unfinished one is copied.
#[derive(Debug)]
pub(in crate::protocol) struct LineFramer {
    rule: LineRule,
    /// The terminator's last byte: what is searched for.
    last: u8,
    /// A CR before the terminator is not part of the line.
    carriage_return: CarriageReturn,
    /// What came of a line that is not finished: at most [`Self::most`] bytes, and while skipping
    /// only what may be the beginning of a terminator.
    begun: Vec<u8>,
    state: LineState,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CarriageReturn {
    Dropped,
    Kept,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LineState {
    Reading,
    /// An over-long line was reported; the rest of it is skipped.
    Skipping,
}

impl LineFramer {
    pub(crate) fn new(rule: LineRule) -> Self {
        let last = *rule.terminator.usual().last().expect("a filled text has at least one character");
        let is_lf = rule.terminator == LineEnd::Text(b"\n".to_vec());
        let carriage_return = if is_lf { CarriageReturn::Dropped } else { CarriageReturn::Kept };
        Self { rule, last, carriage_return, begun: Vec::new(), state: LineState::Reading }
    }

    #[inline]
    pub(crate) fn push(&mut self, bytes: &[u8], mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        let (mut start, mut from) = (0, 0);
        while let Some(end) = self.find_end(&bytes[from..]).map(|at| from + at + 1) {
            from = end;
            let piece = &bytes[start..end];
            if !self.is_complete(piece) {
                continue;
            }
            start = end;
            if self.state == LineState::Reading && self.begun.is_empty() {
                self.hand_out(piece, &mut found);
            } else {
                self.complete(piece, &mut found);
            }
        }
        self.buffer(&bytes[start..], &mut found);
    }

    pub(crate) fn cut_off(&mut self, why: Defect, mut found: impl FnMut(FramerOutput<'_>) -> Acceptance) {
        let pause = why == Defect::Pause;
        if self.state == LineState::Reading && !self.begun.is_empty() {
            found(FramerOutput::Refused(&self.begun, DecodeError::whole(why)));
        }
        // Behind a pause inside a line comes the rest of it or of another, whose beginning is missing.
        let is_begun = !self.begun.trim_ascii().is_empty() || self.state == LineState::Skipping;
        self.state = if pause && is_begun { LineState::Skipping } else { LineState::Reading };
        self.begun.clear();
    }

    /// Whether these bytes go on with a line that was begun, and begin no other.
    pub(crate) fn ends_begun(&self, bytes: &[u8]) -> bool {
        let is_begun = self.state == LineState::Reading && !self.begun.trim_ascii().is_empty();
        is_begun && self.find_end(bytes).is_none_or(|end| bytes[end..].trim_ascii().is_empty())
    }

    #[inline]
    fn find_end(&self, bytes: &[u8]) -> Option<usize> {
        match self.rule.terminator {
            LineEnd::Any => memchr2(b'\r', b'\n', bytes),
            LineEnd::Text(_) => memchr(self.last, bytes),
        }
    }

    /// As many bytes of an unfinished line as may still turn out to be short enough.
    fn most(&self) -> usize {
        let carriage_return = usize::from(self.carriage_return == CarriageReturn::Dropped);
        self.rule.longest.get() + self.rule.terminator.usual().len() - 1 + carriage_return
    }

    /// Whether what was begun and this piece end with the terminator.
    #[inline]
    fn is_complete(&self, piece: &[u8]) -> bool {
        let LineEnd::Text(terminator) = &self.rule.terminator else { return true };
        match terminator.len().checked_sub(piece.len()) {
            None | Some(0) => piece.ends_with(terminator),
            Some(before) => self.begun.ends_with(&terminator[..before]) && piece == &terminator[before..],
        }
    }

    /// Ends the line that was begun in an earlier chunk.
    fn complete(&mut self, piece: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        let mut line = std::mem::take(&mut self.begun);
        match self.state {
            LineState::Skipping => self.state = LineState::Reading,
            LineState::Reading if line.len() + piece.len() > self.most() + self.rule.terminator.usual().len() => {
                self.report_over_long(&mut line, piece, found);
            }
            LineState::Reading => {
                line.extend_from_slice(piece);
                self.hand_out(&line, found);
            }
        }
        line.clear();
        self.begun = line;
    }

    /// Hands out a line that ends with its terminator.
    #[inline]
    fn hand_out(&self, line: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        let taken = line.len();
        let mut text = &line[..taken - self.rule.terminator.usual().len()];
        if self.carriage_return == CarriageReturn::Dropped {
            text = text.strip_suffix(b"\r").unwrap_or(text);
        }
        if text.len() > self.rule.longest.get() {
            let longest = self.rule.longest.get();
            found(FramerOutput::Refused(&text[..longest], DecodeError::whole(Defect::TooLong { longest })));
            return;
        }
        let is_comment = self.rule.comment.as_ref().is_some_and(|mark| text.trim_ascii_start().starts_with(&mark.0));
        found(FramerOutput::Frame(if is_comment { &[] } else { text }, taken));
    }

    /// Buffers the beginning of a line until the next chunk.
    fn buffer(&mut self, bytes: &[u8], found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance) {
        if self.state == LineState::Reading {
            if self.begun.len() + bytes.len() <= self.most() {
                self.begun.extend_from_slice(bytes);
                return;
            }
            let mut head = self.begun.clone();
            self.report_over_long(&mut head, bytes, found);
            self.state = LineState::Skipping;
        }
        let tail = self.rule.terminator.usual().len() - 1;
        match bytes.len().checked_sub(tail) {
            Some(before) => {
                self.begun.clear();
                self.begun.extend_from_slice(&bytes[before..]);
            }
            None => {
                self.begun.extend_from_slice(bytes);
                self.begun.drain(..self.begun.len().saturating_sub(tail));
            }
        }
    }

    /// Reports a line that is too long: its first bytes, as many as a line may have.
    fn report_over_long(
        &self,
        head: &mut Vec<u8>,
        rest: &[u8],
        found: &mut impl FnMut(FramerOutput<'_>) -> Acceptance,
    ) {
        let longest = self.rule.longest.get();
        let room = longest.saturating_sub(head.len()).min(rest.len());
        head.extend_from_slice(&rest[..room]);
        head.truncate(longest);
        found(FramerOutput::Refused(head, DecodeError::whole(Defect::TooLong { longest })));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(terminator: &str, longest: usize) -> LineRule {
        LineRule {
            terminator: if terminator.is_empty() { LineEnd::Any } else { LineEnd::Text(terminator.into()) },
            longest: LongestFrame::nearest(longest),
            comment: Some(NonEmptyText(b"#".to_vec())),
        }
    }

    fn cuts(rule: &LineRule, chunks: &[&[u8]]) -> Vec<String> {
        let mut line = LineFramer::new(rule.clone());
        let mut cuts = Vec::new();
        for chunk in chunks {
            line.push(chunk, |cut| {
                cuts.push(in_words(cut));
                Acceptance::Accepted
            });
            assert!(line.begun.len() <= line.most());
        }
        line.cut_off(Defect::Partial, |cut| {
            cuts.push(in_words(cut));
            Acceptance::Accepted
        });
        cuts
    }

    fn in_words(cut: FramerOutput<'_>) -> String {
        match cut {
            FramerOutput::Frame(text, taken) | FramerOutput::Trial(text, taken) => {
                format!("{} ({taken})", text.escape_ascii())
            }
            FramerOutput::Refused(text, error) => format!("{:?} {}", error.defect, text.escape_ascii()),
        }
    }

    /// The bytes at once, and split at every place into two, and one by one.
    fn check(terminator: &str, longest: usize, bytes: &str, expected: &[&str]) {
        let (rule, bytes) = (rule(terminator, longest), bytes.as_bytes());
        assert_eq!(cuts(&rule, &[bytes]), expected);
        for at in 0..bytes.len() {
            assert_eq!(cuts(&rule, &[&bytes[..at], &bytes[at..]]), expected, "split at {at}");
        }
        assert_eq!(cuts(&rule, &bytes.chunks(1).collect::<Vec<_>>()), expected, "byte by byte");
    }

    #[test]
    fn lines_end_with_lf_or_cr_lf() {
        check("\n", 10, "a\r\nbc\n\n# x\nd", &["a (3)", "bc (3)", " (1)", " (4)", "Partial d"]);
    }

    #[test]
    fn all_line_ends_in_one_stream() {
        check("", 10, "a\r\nbc\rd\n\n# x\re", &["a (2)", " (1)", "bc (3)", "d (2)", " (1)", " (4)", "Partial e"]);
        check("", 3, "abc\rabcd\rx\r\n", &["abc (4)", "TooLong { longest: 3 } abc", "x (2)", " (1)"]);
    }

    #[test]
    fn a_pause_inside_a_line_leaves_no_reading_of_its_halves() {
        let mut line = LineFramer::new(rule("\n", 10));
        let mut cuts = Vec::new();
        let mut found = |cut: FramerOutput<'_>| {
            cuts.push(in_words(cut));
            Acceptance::Accepted
        };
        line.push(b"12.4", &mut found);
        line.cut_off(Defect::Pause, &mut found);
        line.push(b"5 V\n12.5 V\n", &mut found);
        line.cut_off(Defect::Pause, &mut found);
        line.push(b"12.6 V\n", &mut found);
        assert_eq!(cuts, ["Pause 12.4", "12.5 V (7)", "12.6 V (7)"]);
    }

    #[test]
    fn any_terminator_will_do() {
        check("\r", 10, "a\nb\rc\r", &["a\\nb (4)", "c (2)"]);
        check("\r\n", 10, "a\n\r\nb\r\r\n", &["a\\n (4)", "b\\r (4)"]);
        check("aab", 10, "xaaab.aab", &["xa (5)", ". (4)"]);
    }

    #[test]
    fn an_over_long_line_is_reported_once_and_skipped() {
        check(
            "\n",
            3,
            "abc\r\nabcd\nx\nabcdefghi\ny\n",
            &["abc (5)", "TooLong { longest: 3 } abc", "x (2)", "TooLong { longest: 3 } abc", "y (2)"],
        );
        check("\r\n", 2, "abcdef\r\nx\r\nabc", &["TooLong { longest: 2 } ab", "x (3)", "Partial abc"]);
    }

    #[test]
    fn the_shortest_longest_line_has_one_byte() {
        check("\n", 1, "ab\na\n\n", &["TooLong { longest: 1 } a", "a (2)", " (1)"]);
    }
}
