//! A piece of text becomes a value: number, unit, prefix, overload, size of the last digit.
//!
//! Number forms: IEEE 488.2 NR1, NR2 and NR3, and what devices make of them (`.5`, `5.`). Words
//! of SCPI-1999 (vol. 1, 7.2.1, clause from memory): 9.9E37 is too much, 9.91E37 is no number.

use serde::Deserialize;

use super::{Function, Value, evidence::Evidence, problem::Defect};
use crate::units::{Dimension, Quantity, Unit};

/// Larger than anything measured on a machine, smaller than the words of SCPI.
const LARGEST: f64 = 1e30;
const SCPI_OVER: f64 = 9.9e37;
const SCPI_NO_NUMBER: f64 = 9.91e37;

/// What displays show beyond the range, unless the file lists its own words.
const OVERLOAD_WORDS: [&str; 11] = ["OL", "0L", "O.L", "0.L", ".OL", ".0L", "OL.", "0L.", "OVLD", "OVER", "overload"];

/// Words for a value beyond the range, the longest first, so that a word is not taken for the start of a longer one.
#[derive(Debug, Clone, Deserialize)]
#[serde(from = "Vec<String>")]
pub(super) struct OverloadWords(Vec<String>);

impl Default for OverloadWords {
    fn default() -> Self {
        OVERLOAD_WORDS.map(str::to_owned).to_vec().into()
    }
}

impl From<Vec<String>> for OverloadWords {
    fn from(mut words: Vec<String>) -> Self {
        words.retain(|word| !word.is_empty());
        words.sort_by_key(|word| std::cmp::Reverse(word.len()));
        Self(words)
    }
}

/// So many units of one port are remembered; more than this is garbage.
const MOST_UNITS: usize = 16;

/// A value read from text, base units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Token {
    pub value: Value,
    /// The last digit is worth 10^place base units; none where that is no power of ten.
    pub place: Option<i8>,
    pub function: Function,
}

/// A bare number at the start of a text.
pub(super) struct Plain {
    pub value: f64,
    /// Its last digit is worth 10^place.
    pub place: i32,
    /// Its bytes.
    pub length: usize,
}

/// Powers of ten that are exact in an f64.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];

/// Sign, digits, point, digits, at most 15 of them: nearly every number that a board sends.
///
/// Exact: fifteen digits and the power of ten are whole numbers that an f64 holds, and one
/// division of such rounds correctly (Clinger 1990, "How to read floating point numbers
/// accurately"). None where the text begins otherwise or goes on with an exponent.
#[inline]
pub(super) fn plain(text: &[u8]) -> Option<Plain> {
    let mut at = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let start = at;
    let mut digits: u64 = 0;
    while let Some(digit) = text.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
        digits = digits.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    let mut count = at - start;
    let mut decimals = 0;
    if text.get(at) == Some(&b'.') {
        at += 1;
        let point = at;
        while let Some(digit) = text.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
            digits = digits.wrapping_mul(10).wrapping_add(u64::from(digit));
            at += 1;
        }
        decimals = at - point;
        count += decimals;
    }
    if count == 0 || count > 15 || matches!(text.get(at), Some(b'e' | b'E')) {
        return None;
    }
    let size = digits as f64 / POWERS[decimals];
    let value = if text[0] == b'-' { -size } else { size };
    Some(Plain { value, place: -(decimals as i32), length: at })
}

/// What the commas in a number are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CommaForm {
    Absent,
    /// `12,45`
    Decimal,
    /// `1,234.5`
    Thousands,
    /// `1,234`
    Either,
}

/// What a comma in numbers of this meter is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NumberComma {
    /// `12,45` is 12.45.
    Decimal,
    /// `1,234.5` is 1234.5.
    Thousands,
}

impl CommaForm {
    /// Of a number without its sign and exponent.
    fn of(number: &[u8], has_exponent: bool) -> Option<Self> {
        let Some(first) = memchr::memchr(b',', number) else { return Some(Self::Absent) };
        let (whole, decimals) = match memchr::memchr(b'.', number) {
            Some(point) => (&number[..point], Some(&number[point + 1..])),
            None => (number, None),
        };
        let mut groups = whole.split(|byte| *byte == b',');
        let head = groups.next().unwrap_or_default();
        let in_thousands = (1..=3).contains(&head.len()) && head[0] != b'0' && groups.all(|group| group.len() == 3);
        let commas = number.iter().filter(|byte| **byte == b',').count();
        match (in_thousands, decimals, commas) {
            (_, Some(decimals), _) if decimals.contains(&b',') => None,
            (true, Some(_), _) => Some(Self::Thousands),
            (false, Some(_), _) => None,
            (true, None, 1) if !has_exponent => Some(Self::Either),
            (_, None, 1) if first + 1 < number.len() => Some(Self::Decimal),
            (true, None, 2..) => Some(Self::Thousands),
            (_, None, _) => None,
        }
    }
}

/// A number with any count of digits and an exponent, and what its commas seem to be; one that may be either is read as the
/// decimal sign or as nothing, whichever is given.
fn any_number(text: &[u8], usual: Option<NumberComma>) -> Option<(Plain, CommaForm)> {
    let sign = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let blanks = text[sign..].iter().take_while(|byte| sign > 0 && **byte == b' ').count();
    let (start, mut at, mut point) = (sign + blanks, sign + blanks, None);
    while let Some(byte) = text.get(at) {
        match byte {
            b'0'..=b'9' | b',' => {}
            b'.' if point.is_none() => point = Some(at),
            _ => break,
        }
        at += 1;
    }
    let exponent = exponent_length(&text[at..]);
    let scale: i32 = match exponent {
        0 => 0,
        length => parse_exponent(&text[at + 1..at + length]),
    };
    let form = CommaForm::of(&text[start..at], exponent > 0)?;
    let is_decimal = match (form, usual) {
        (CommaForm::Decimal, _) | (CommaForm::Either, Some(NumberComma::Decimal) | None) => true,
        (CommaForm::Absent | CommaForm::Thousands, _) | (CommaForm::Either, Some(NumberComma::Thousands)) => false,
    };
    // As fast-float2 reads it: a point, no blanks and no commas.
    let (mut plain, mut length, mut decimals, mut digits) = ([0; 64], 0, None, 0);
    for byte in &text[..at + exponent] {
        let byte = match byte {
            b' ' => continue,
            b',' if is_decimal => b'.',
            b',' => continue,
            byte => *byte,
        };
        *plain.get_mut(length)? = byte;
        length += 1;
    }
    for byte in &text[start..at] {
        match byte {
            b'.' => decimals = Some(0),
            b',' if is_decimal => decimals = Some(0),
            b',' => {}
            _ => {
                digits += 1;
                decimals = decimals.map(|decimals: i32| decimals + 1);
            }
        }
    }
    if digits == 0 {
        return None;
    }
    let value = fast_float2::parse(&plain[..length]).ok()?;
    Some((Plain { value, place: scale - decimals.unwrap_or(0), length: at + exponent }, form))
}

/// Bytes of `E-03` at the start; an E counts only with digits behind it.
fn exponent_length(text: &[u8]) -> usize {
    if !matches!(text.first(), Some(b'e' | b'E')) {
        return 0;
    }
    let sign = usize::from(matches!(text.get(1), Some(b'+' | b'-')));
    match text[1 + sign..].iter().take_while(|byte| byte.is_ascii_digit()).count() {
        0 => 0,
        digits => 1 + sign + digits,
    }
}

/// Far beyond an f64's range it does not matter by how much.
fn parse_exponent(text: &[u8]) -> i32 {
    let size = text
        .iter()
        .filter(|byte| byte.is_ascii_digit())
        .fold(0i32, |sum, byte| (sum * 10 + i32::from(byte - b'0')).min(9_999));
    if text[0] == b'-' { -size } else { size }
}

/// Whether a number is a sensible value, one of SCPI's words, or to be refused.
#[inline]
pub(super) fn classify(number: f64) -> Result<Value, Defect> {
    let near = |word: f64| (number.abs() - word).abs() < word * 1e-6;
    match number.abs() {
        size if size <= LARGEST => Ok(Value::Number(number)),
        _ if near(SCPI_NO_NUMBER) => Err(Defect::NoNumberWord),
        _ if near(SCPI_OVER) => Ok(if number > 0.0 { Value::Over } else { Value::Under }),
        size if size.is_finite() => Err(Defect::TooLarge),
        _ => Err(Defect::NotFinite),
    }
}

/// Digits of which the last is worth 10^place, rounded once where an f64 allows it.
#[inline]
pub(super) fn scaled(digits: u64, place: i32) -> f64 {
    let power = POWERS.get(place.unsigned_abs() as usize);
    match (power, place < 0) {
        (Some(power), true) => digits as f64 / power,
        (Some(power), false) => digits as f64 * power,
        (None, _) => digits as f64 * 10f64.powi(place),
    }
}

/// A number times 10^shift. Where its last digit is known it is rounded once, from the digits: 1261.1 mV is 1.2611 V, not
/// 1.2610999999999999.
#[inline]
pub(super) fn shifted(number: f64, place: Option<i32>, shift: i32) -> f64 {
    /// Whole numbers below this are exact.
    const EXACT: f64 = 9e15;
    if shift == 0 {
        return number;
    }
    let rough = if shift < 0 { number / 10f64.powi(-shift) } else { number * 10f64.powi(shift) };
    let Some(place) = place.filter(|place| (-22..=22).contains(place)) else { return rough };
    let digits = if place < 0 { number.abs() * 10f64.powi(-place) } else { number.abs() / 10f64.powi(place) }.round();
    let exact = if digits < EXACT { scaled(digits as u64, place + shift).copysign(number) } else { rough };
    // A number with more digits than its place says is left as it is.
    if (exact - rough).abs() <= rough.abs() * 1e-12 { exact } else { rough }
}

/// Reads values from text; remembers its units, so that reading them again is cheap.
#[derive(Debug)]
pub(super) struct NumberReader {
    overload: OverloadWords,
    units: Vec<(String, UnitMeaning)>,
    comma: Evidence<NumberComma>,
    letters: UnitLetters,
}

/// Which letters this meter writes its units in: a capital M is milli only where there are no small ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum UnitLetters {
    Unknown,
    /// It wrote `mV`, `kohm` or the like.
    Small,
    /// It wrote `MA` or `MV`, which can be nothing but milli.
    CapitalsAlone,
}

/// What a unit means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct UnitMeaning {
    pub function: Function,
    /// Base units in one of it.
    pub factor: f64,
    /// The factor as a power of ten; none where it is none (a mile, a knot).
    pub shift: Option<i32>,
}

impl UnitMeaning {
    fn new(function: Function, factor: f64) -> Self {
        let power = factor.log10().round();
        let shift = ((10f64.powf(power) / factor - 1.0).abs() < 1e-9).then_some(power as i32);
        Self { function, factor, shift }
    }
}

impl NumberReader {
    /// With these words for too much.
    pub(super) fn new(overload: OverloadWords) -> Self {
        Self { overload, units: Vec::new(), comma: Evidence::default(), letters: UnitLetters::Unknown }
    }

    /// Reads a value that fills the text: `12.45`, `-0.512mV`, `1.2 V AC`, `OL ohm`, `-OL`.
    ///
    /// [`Defect::NotANumber`] and [`Defect::UnknownUnit`] say that the text is damaged or of another
    /// kind, the rest that it is a value which must not be used.
    pub(super) fn read(&mut self, text: &str) -> Result<Token, Defect> {
        let text = text.trim();
        if let Some(number) = plain(text.as_bytes()).filter(|number| number.length == text.len()) {
            let value = classify(number.value)?;
            return Ok(Token { value, place: i8::try_from(number.place).ok(), function: Function::Unknown });
        }
        if let Some(token) = self.overloaded(text) {
            return Ok(token);
        }
        if is_no_number(text) {
            return Err(Defect::NotFinite);
        }
        if is_dashes(text) {
            return Err(Defect::NoNumberShown);
        }
        self.with_unit(text)
    }

    /// What a unit alone means.
    pub(super) fn unit(&mut self, text: &str) -> Result<UnitMeaning, Defect> {
        self.meaning(text)
    }

    /// The text around the numbers shows that the comma is their decimal sign.
    pub(super) fn comma_is_decimal(&mut self) {
        self.comma = Evidence::default();
        self.comma.add(NumberComma::Decimal);
        self.comma.add(NumberComma::Decimal);
    }

    /// Whether the text is a word for too much.
    pub(super) fn is_overload(&mut self, text: &str) -> bool {
        self.overloaded(text.trim()).is_some()
    }

    fn with_unit(&mut self, text: &str) -> Result<Token, Defect> {
        // A typographic minus is a character of its own.
        let (sign, unsigned) = text.strip_prefix('\u{2212}').map_or((1.0, text), |rest| (-1.0, rest.trim_start()));
        let usual = self.comma.settled();
        let (number, form) = any_number(unsigned.as_bytes(), usual).ok_or(Defect::NotANumber)?;
        let unit_meaning = self.meaning(unsigned[number.length..].trim())?;
        match (form, usual) {
            (CommaForm::Absent, _) | (CommaForm::Either, Some(_)) => {}
            (CommaForm::Decimal, Some(NumberComma::Thousands)) | (CommaForm::Thousands, Some(NumberComma::Decimal)) => {
                // Either this number is damaged, or those were by which it was settled.
                self.comma = Evidence::default();
                return Err(Defect::AmbiguousThousands);
            }
            (CommaForm::Decimal, _) => self.comma.add(NumberComma::Decimal),
            (CommaForm::Thousands, _) => self.comma.add(NumberComma::Thousands),
            (CommaForm::Either, None) => return Err(Defect::AmbiguousThousands),
        }
        let value = match classify(sign * number.value)? {
            Value::Number(value) => classify(match unit_meaning.shift {
                Some(shift) => shifted(value, Some(number.place), shift),
                None => value * unit_meaning.factor,
            })?,
            beyond => beyond,
        };
        let place = unit_meaning.shift.and_then(|shift| i8::try_from(number.place + shift).ok());
        Ok(Token { value, place, function: unit_meaning.function })
    }

    fn overloaded(&mut self, text: &str) -> Option<Token> {
        let (value, word) = match text.strip_prefix(['-', '\u{2212}']) {
            Some(rest) => (Value::Under, rest.trim_start()),
            None => (Value::Over, text.strip_prefix('+').unwrap_or(text).trim_start()),
        };
        let length = self.overload.0.iter().find(|known| starts_with(word, known))?.len();
        let unit_meaning = self.meaning(word[length..].trim()).ok()?;
        Some(Token { value, place: None, function: unit_meaning.function })
    }

    fn meaning(&mut self, unit: &str) -> Result<UnitMeaning, Defect> {
        if unit.is_empty() {
            return Ok(UnitMeaning::new(Function::Unknown, 1.0));
        }
        if let Some((_, unit_meaning)) = self.units.iter().find(|(known, _)| known == unit) {
            return Ok(*unit_meaning);
        }
        let is_mega = unit.contains('M') && !unit.contains(|letter: char| letter.is_ascii_lowercase());
        let unit_meaning = match (read_unit(unit), self.letters) {
            // No meter here shows megavolts or megaamperes, so a display without small letters means milli.
            (None, letters) if is_mega => {
                let milli = read_unit(&unit.replacen('M', "m", 1)).ok_or(Defect::UnknownUnit)?;
                if letters == UnitLetters::Small {
                    return Err(Defect::MegaOrMilli);
                }
                self.letters = UnitLetters::CapitalsAlone;
                self.units.clear();
                milli
            }
            (None, _) => return Err(Defect::UnknownUnit),
            // Its M was milli before: here it may be either.
            (Some(_), UnitLetters::CapitalsAlone) if is_mega => return Err(Defect::MegaOrMilli),
            (Some(known), letters) => {
                if letters == UnitLetters::Unknown && unit.starts_with(['m', 'u', 'k', 'n']) && known.factor != 1.0 {
                    self.letters = UnitLetters::Small;
                }
                known
            }
        };
        if self.units.len() < MOST_UNITS {
            self.units.push((unit.to_owned(), unit_meaning));
        }
        Ok(unit_meaning)
    }
}

/// `----`: the display shows no number at the moment.
fn is_dashes(text: &str) -> bool {
    text.len() >= 2 && text.bytes().all(|byte| matches!(byte, b'-' | b'.')) && text.starts_with('-')
}

/// `nan`, `-inf` and the like: not damaged, but no value.
pub(super) fn is_no_number(text: &str) -> bool {
    let word = text.trim().trim_start_matches(['+', '-']);
    ["nan", "inf", "infinity"].iter().any(|known| word.eq_ignore_ascii_case(known))
}

fn starts_with(text: &str, word: &str) -> bool {
    text.get(..word.len()).is_some_and(|start| start.eq_ignore_ascii_case(word))
}

/// `mV`, `V AC`, `VDC`, `AC mV`, `kohm`, or a prefix alone (`4.7 k`).
pub(super) fn read_unit(text: &str) -> Option<UnitMeaning> {
    if let Ok(unit) = Unit::parse(text) {
        return Some(UnitMeaning::new(Function::Unit(unit.dimension), unit.factor));
    }
    if let Some(unit_meaning) = with_current(text) {
        return Some(unit_meaning);
    }
    if let Ok(quantity) = text.parse::<Quantity>() {
        return Some(UnitMeaning::new(Function::Exact(quantity), 1.0));
    }
    // A prefix may come without its unit. (Of the units with prefixes ohm has all of them.)
    let prefix = Unit::parse(&format!("{text}ohm")).ok()?;
    (prefix.factor != 1.0).then(|| UnitMeaning::new(Function::Unknown, prefix.factor))
}

/// A unit with AC or DC before or behind it.
fn with_current(text: &str) -> Option<UnitMeaning> {
    let last = text.len().checked_sub(2)?;
    let ends = [(text.get(last..), text.get(..last)), (text.get(..2), text.get(2..))];
    ends.into_iter().find_map(|(word, unit)| {
        let alternating = match word? {
            word if word.eq_ignore_ascii_case("AC") => true,
            word if word.eq_ignore_ascii_case("DC") => false,
            _ => return None,
        };
        let unit = Unit::parse(unit?).ok()?;
        let quantity = match (unit.dimension, alternating) {
            (Dimension::Volt, true) => Quantity::VoltsAc,
            (Dimension::Volt, false) => Quantity::VoltsDc,
            (Dimension::Ampere, true) => Quantity::AmpsAc,
            (Dimension::Ampere, false) => Quantity::AmpsDc,
            _ => return None,
        };
        Some(UnitMeaning::new(Function::Exact(quantity), unit.factor))
    })
}

#[cfg(test)]
mod tests;
