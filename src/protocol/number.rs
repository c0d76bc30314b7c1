//! A piece of text becomes a value: number, unit, prefix, overload, size of the last digit.
//!
//! Number forms: IEEE 488.2 NR1, NR2 and NR3, and what devices make of them (`.5`, `5.`). Words
//! of SCPI-1999 (vol. 1, 7.2.1, clause from memory): 9.9E37 is too much, 9.91E37 is no number.

mod digits;

use digits::{CommaForm, NumberComma, any_number};
pub(super) use digits::{Plain, plain, scaled, shifted};
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
    /// The last digit is worth 10^decade base units; none where that is no power of ten.
    pub decade: Option<i8>,
    pub function: Function,
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
            return Ok(Token { value, decade: i8::try_from(number.decade).ok(), function: Function::Unknown });
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
                Some(shift) => shifted(value, Some(number.decade), shift),
                None => value * unit_meaning.factor,
            })?,
            beyond => beyond,
        };
        let decade = unit_meaning.shift.and_then(|shift| i8::try_from(number.decade + shift).ok());
        Ok(Token { value, decade, function: unit_meaning.function })
    }

    fn overloaded(&mut self, text: &str) -> Option<Token> {
        let (value, word) = match text.strip_prefix(['-', '\u{2212}']) {
            Some(rest) => (Value::Under, rest.trim_start()),
            None => (Value::Over, text.strip_prefix('+').unwrap_or(text).trim_start()),
        };
        let length = self.overload.0.iter().find(|known| starts_with(word, known))?.len();
        let unit_meaning = self.meaning(word[length..].trim()).ok()?;
        Some(Token { value, decade: None, function: unit_meaning.function })
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
