//! Digits, points, commas and exponents become a number.

/// A bare number at the start of a text.
pub(in crate::protocol) struct Plain {
    pub value: f64,
    /// Its last digit is worth 10^decade.
    pub decade: i32,
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
pub(in crate::protocol) fn plain(text: &[u8]) -> Option<Plain> {
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
    Some(Plain { value, decade: -(decimals as i32), length: at })
}

/// What the commas in a number are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CommaForm {
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
pub(super) fn any_number(text: &[u8], usual: Option<NumberComma>) -> Option<(Plain, CommaForm)> {
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
    Some((Plain { value, decade: scale - decimals.unwrap_or(0), length: at + exponent }, form))
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

/// Digits of which the last is worth 10^decade, rounded once where an f64 allows it.
#[inline]
pub(in crate::protocol) fn scaled(digits: u64, decade: i32) -> f64 {
    let power = POWERS.get(decade.unsigned_abs() as usize);
    match (power, decade < 0) {
        (Some(power), true) => digits as f64 / power,
        (Some(power), false) => digits as f64 * power,
        (None, _) => digits as f64 * 10f64.powi(decade),
    }
}

/// A number times 10^shift. Where its last digit is known it is rounded once, from the digits: 1261.1 mV is 1.2611 V, not
/// 1.2610999999999999.
#[inline]
pub(in crate::protocol) fn shifted(number: f64, decade: Option<i32>, shift: i32) -> f64 {
    /// Whole numbers below this are exact.
    const EXACT: f64 = 9e15;
    if shift == 0 {
        return number;
    }
    let rough = if shift < 0 { number / 10f64.powi(-shift) } else { number * 10f64.powi(shift) };
    let Some(decade) = decade.filter(|decade| (-22..=22).contains(decade)) else { return rough };
    let digits =
        if decade < 0 { number.abs() * 10f64.powi(-decade) } else { number.abs() / 10f64.powi(decade) }.round();
    let exact = if digits < EXACT { scaled(digits as u64, decade + shift).copysign(number) } else { rough };
    // A number with more digits than its decade says is left as it is.
    if (exact - rough).abs() <= rough.abs() * 1e-12 { exact } else { rough }
}
