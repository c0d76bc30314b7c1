//! A line without its numbers: what stands around them, and the form of each of them.
//!
//! `lift=0.512 A feed=12.45 V` is `lift=#u feed=#u`, with three and two decimals.

use std::ops::Range;

/// More numbers in a line are not looked at.
const MOST_NUMBERS: usize = 64;

/// In a skeleton: a number, and a unit behind it.
const NUMBER: u8 = b'#';
const UNIT: u8 = 0;

/// What a line is made of; kept for its memory.
#[derive(Debug, Default)]
pub(super) struct Skeleton {
    /// The text around the numbers, with a sign for each number.
    pub text: Vec<u8>,
    pub numbers: Vec<WrittenNumber>,
}

/// How a number is written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WrittenNumber {
    /// Digits behind the decimal sign.
    pub decimals: u8,
    /// Without its sign, exponent and unit.
    pub size: f64,
    /// It ends with a zero behind two or more decimals: whoever writes it leaves none out.
    pub keeps_zeros: bool,
    /// A zero stands before other digits of the whole part.
    pub is_padded: bool,
    /// The unit behind it, or the exponent's letter, as a sum; 0 without.
    pub unit: u64,
    /// Its bytes in the line, without the unit.
    pub bytes: Range<usize>,
}

impl Skeleton {
    /// Of this line.
    pub(super) fn read(&mut self, line: &[u8]) {
        self.text.clear();
        self.numbers.clear();
        let mut at = 0;
        while let Some(byte) = line.get(at) {
            at = match byte {
                b'0'..=b'9' | b'+' | b'-' | b'.' if !self.ends_with_word() => match number(line, at) {
                    Some(found) => self.number(line, found),
                    None => self.sign(line, at),
                },
                b' ' => self.blanks(line, at),
                _ => self.sign(line, at),
            };
        }
    }

    /// Digits that go on a word (`v1`, `amps.0`) are no number.
    fn ends_with_word(&self) -> bool {
        self.text.last().is_some_and(|byte| is_letter(*byte) || byte.is_ascii_digit())
    }

    fn number(&mut self, line: &[u8], mut found: WrittenNumber) -> usize {
        self.text.push(NUMBER);
        let end = found.bytes.end;
        let unit_end = unit_end(line, end);
        if unit_end > end {
            found.unit |= fnv(line[end..unit_end].trim_ascii_start());
            self.text.push(UNIT);
        }
        if self.numbers.len() < MOST_NUMBERS {
            self.numbers.push(found);
        }
        unit_end
    }

    fn sign(&mut self, line: &[u8], at: usize) -> usize {
        if is_separator(line[at]) && self.text.last() == Some(&b' ') {
            self.text.pop();
        }
        self.text.push(line[at]);
        at + 1
    }

    /// Blanks pad numbers; those between words and numbers count as one.
    fn blanks(&mut self, line: &[u8], at: usize) -> usize {
        let behind = at + line[at..].iter().take_while(|byte| **byte == b' ').count();
        if behind < line.len() && self.text.last().is_some_and(|byte| !is_separator(*byte)) {
            self.text.push(b' ');
        }
        behind
    }
}

/// Whether something could have been cut in two between these signs of a skeleton: not between two separators.
pub(super) fn may_be_cut(before: Option<&u8>, behind: Option<&u8>) -> bool {
    [before, behind].into_iter().flatten().any(|sign| !is_separator(*sign) && *sign != b' ')
}

/// Text, sign by sign, as FNV-1a sums it (Fowler, Noll, Vo 1991).
fn fnv(text: &[u8]) -> u64 {
    text.iter().fold(0xcbf2_9ce4_8422_2325, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x100_0000_01b3))
}

fn is_separator(byte: u8) -> bool {
    matches!(byte, b',' | b';' | b'\t' | b'|' | b':' | b'=' | b'{' | b'}' | b'[' | b']')
}

fn is_letter(byte: u8) -> bool {
    byte.is_ascii_alphabetic() || byte >= 0x80 || matches!(byte, b'_' | b'%')
}

/// The number that begins here; none where a sign or a point has no digit behind it.
fn number(line: &[u8], begin: usize) -> Option<WrittenNumber> {
    let count = |from: usize| line[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    let mut at = begin + usize::from(matches!(line[begin], b'+' | b'-'));
    if at > begin {
        at += line[at..].iter().take_while(|byte| **byte == b' ').count();
    }
    let (whole_at, whole) = (at, count(at));
    at += whole;
    let decimals = if line.get(at) == Some(&b'.') { count(at + 1) } else { 0 };
    if whole + decimals == 0 {
        return None;
    }
    if line.get(at) == Some(&b'.') {
        at += 1 + decimals;
    }
    let digits = line[whole_at..at].iter().filter(|byte| byte.is_ascii_digit());
    let size = digits.fold(0.0, |sum, digit| sum * 10.0 + f64::from(digit - b'0')) / 10f64.powi(decimals as i32);
    let keeps_zeros = decimals >= 2 && line[at - 1] == b'0';
    let is_padded = whole >= 2 && line[whole_at] == b'0';
    let mut unit = 0;
    if let Some(length) = exponent(&line[at..]) {
        at += length;
        unit = 1;
    }
    let decimals = u8::try_from(decimals).unwrap_or(u8::MAX);
    Some(WrittenNumber { decimals, size, keeps_zeros, is_padded, unit, bytes: begin..at })
}

/// Bytes of `E-03` at the start.
fn exponent(text: &[u8]) -> Option<usize> {
    matches!(text.first(), Some(b'e' | b'E')).then_some(())?;
    let sign = usize::from(matches!(text.get(1), Some(b'+' | b'-')));
    let digits = text[1 + sign..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    (digits > 0).then_some(1 + sign + digits)
}

/// The end of the word behind a number, blanks before it included; the number's end where none is or where it is the name of the
/// next value.
fn unit_end(line: &[u8], number_end: usize) -> usize {
    let blanks = |from: usize| from + line[from..].iter().take_while(|byte| **byte == b' ').count();
    let begin = blanks(number_end);
    let end = begin + line[begin..].iter().take_while(|byte| is_letter(**byte)).count();
    let is_unit = end > begin && !line.get(end).is_some_and(u8::is_ascii_digit);
    match line.get(blanks(end)) {
        Some(b':' | b'=') => number_end,
        _ if is_unit => end,
        _ => number_end,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(line: &str, text: &str, decimals: &[u8]) {
        let mut skeleton = Skeleton::default();
        skeleton.read(line.as_bytes());
        let shown = String::from_utf8_lossy(&skeleton.text).replace('\0', "u");
        assert_eq!(shown, text, "{line}");
        assert_eq!(skeleton.numbers.iter().map(|number| number.decimals).collect::<Vec<_>>(), decimals, "{line}");
    }

    #[test]
    fn a_line_without_its_numbers() {
        check("0.512,-1.20,3", "#,#,#", &[3, 2, 0]);
        check(" 0.512 ,  12.6;\t- 3.0", "#,#;\t#", &[3, 1, 1]);
        check("12.45 V DC 0.3 mA  OL", "#u DC #u OL", &[2, 1]);
        check("feed = 12.45 V  lift2:-512mA", "feed=#u lift2:#u", &[2, 0]);
        check("lift=0.512 feed=12.4", "lift=# feed=#", &[3, 1]);
        check("{\"lift\": 0.512, \"a\": [1.2e-3, .5, OL]}", "{\"lift\":#,\"a\":[#,#,OL]}", &[3, 1, 1]);
        check("---- - .", "---- - .", &[]);
    }

    #[test]
    fn how_a_number_is_written() {
        let mut skeleton = Skeleton::default();
        skeleton.read(b"0.510,012.5,1.0,5e3,5");
        let of = |number: &WrittenNumber| (number.size, number.keeps_zeros, number.is_padded, number.unit != 0);
        let numbers: Vec<_> = skeleton.numbers.iter().map(of).collect();
        assert_eq!(
            numbers,
            [
                (0.51, true, false, false),
                (12.5, false, true, false),
                (1.0, false, false, false),
                (5.0, false, false, true),
                (5.0, false, false, false)
            ]
        );
    }
}
