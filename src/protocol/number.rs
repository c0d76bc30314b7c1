//! A piece of text becomes a value: number, unit, prefix, overload, size of the last digit.
//!
//! Number forms: IEEE 488.2 NR1, NR2 and NR3, and what devices make of them (`.5`, `5.`). Words
//! of SCPI-1999 (vol. 1, 7.2.1, clause from memory): 9.9E37 is too much, 9.91E37 is no number.

use serde::Deserialize;

use super::{Function, Value, problem::Defect};
use crate::units::{Dimension, Quantity, Unit};

/// Larger than anything measured on a machine, smaller than the words of SCPI.
const LARGEST: f64 = 1e30;
const SCPI_OVER: f64 = 9.9e37;
const SCPI_NO_NUMBER: f64 = 9.91e37;

/// What displays show beyond the range, unless the file lists its own words.
const OVERLOAD_WORDS: [&str; 5] = ["OL", "0L", "O.L", "OVLD", "overload"];

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

/// A number with any count of digits and an exponent; a lone comma may stand for the point.
fn any_number(text: &[u8]) -> Option<Plain> {
    let mut at = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let (start, mut point, mut comma) = (at, None, false);
    while let Some(byte) = text.get(at) {
        match byte {
            b'0'..=b'9' => {}
            b'.' | b',' if point.is_none() => (point, comma) = (Some(at), *byte == b','),
            _ => break,
        }
        at += 1;
    }
    let (digits, decimals) = (at - start - usize::from(point.is_some()), point.map_or(0, |point| at - point - 1));
    if digits == 0 || (comma && decimals == 0) {
        return None;
    }
    let exponent = exponent_length(&text[at..]);
    let scale: i32 = match exponent {
        0 => 0,
        length => parse_exponent(&text[at + 1..at + length]),
    };
    let length = at + exponent;
    let value = match (comma, point) {
        (true, Some(point)) => {
            let mut with_point = [0; 64];
            let copy = with_point.get_mut(..length)?;
            copy.copy_from_slice(&text[..length]);
            copy[point] = b'.';
            fast_float2::parse(copy).ok()?
        }
        _ => fast_float2::parse(&text[..length]).ok()?,
    };
    Some(Plain { value, place: scale - decimals as i32, length })
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

/// Reads values from text; remembers its units, so that reading them again is cheap.
#[derive(Debug)]
pub(super) struct NumberReader {
    overload: OverloadWords,
    units: Vec<(String, UnitMeaning)>,
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
        Self { overload, units: Vec::new() }
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
        self.with_unit(text)
    }

    /// What a unit alone means.
    pub(super) fn unit(&mut self, text: &str) -> Option<UnitMeaning> {
        self.meaning(text)
    }

    /// Whether the text is a word for too much.
    pub(super) fn is_overload(&mut self, text: &str) -> bool {
        self.overloaded(text.trim()).is_some()
    }

    fn with_unit(&mut self, text: &str) -> Result<Token, Defect> {
        // A typographic minus is a character of its own.
        let (sign, unsigned) = text.strip_prefix('\u{2212}').map_or((1.0, text), |rest| (-1.0, rest));
        let number = any_number(unsigned.as_bytes()).ok_or(Defect::NotANumber)?;
        let unit = unsigned[number.length..].trim();
        let unit_meaning = self.meaning(unit).ok_or(Defect::UnknownUnit)?;
        let value = match classify(sign * number.value)? {
            Value::Number(value) => classify(value * unit_meaning.factor)?,
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
        let unit_meaning = self.meaning(word[length..].trim())?;
        Some(Token { value, place: None, function: unit_meaning.function })
    }

    fn meaning(&mut self, unit: &str) -> Option<UnitMeaning> {
        if unit.is_empty() {
            return Some(UnitMeaning::new(Function::Unknown, 1.0));
        }
        if let Some((_, unit_meaning)) = self.units.iter().find(|(known, _)| known == unit) {
            return Some(*unit_meaning);
        }
        let unit_meaning = read_unit(unit)?;
        if self.units.len() < MOST_UNITS {
            self.units.push((unit.to_owned(), unit_meaning));
        }
        Some(unit_meaning)
    }
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
    // A prefix may come without its unit.
    let prefix = Unit::parse(&format!("{text}V")).ok()?;
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
