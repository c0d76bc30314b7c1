//! Reads the text of a relative limit: an amount, a word such as `below` or `of`, and what it refers to.

use super::{
    RelativeEdge,
    formula::{WrittenReference, formula},
};
use crate::units::{Dimension, Measure, Scale, UnitError, split_number};

/// Which kind of limit it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::procedure) enum LimitKey {
    AtLeast,
    AtMost,
    Between,
    Nominal,
}

/// A relative limit as written: its names are not known as steps or channels yet.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::procedure) struct WrittenRelative {
    pub(super) low: Option<RelativeEdge>,
    pub(super) high: Option<RelativeEdge>,
    /// What the value must measure for what the reference measures, where the limit is so much for each of it.
    pub(super) per: Option<(Dimension, Dimension)>,
    /// What is added, where something is.
    pub(super) offset: Option<Dimension>,
    pub(super) reference: WrittenReference,
    pub(super) text: String,
}

const EXPECTED: &str = "a value that refers to others, such as \"0.5 V below battery\", \"80 % of sum of 'lift amps', 'tilt amps'\", \
                        \"3 mV/A of 'ground current'\" or \"siblings ± 5 %\"";

/// Reads a limit that refers to other values; none where it is a plain one.
pub(in crate::procedure) fn relative(key: LimitKey, text: &str) -> Result<Option<WrittenRelative>, UnitError> {
    let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED };
    let edge = |factor, offset| Some(RelativeEdge { factor, offset });
    let (low, high, per, offset, reference) = match key {
        LimitKey::AtMost | LimitKey::AtLeast => {
            let Some((amount, word, rest)) = first_word(text, &[" below ", " above ", " of "]) else { return Ok(None) };
            let (bound, per, offset, is_low) = match (word, key) {
                (" of ", _) => {
                    let (factor, per) = factor(amount).ok_or_else(wrong)?;
                    (edge(factor, 0.0), per, None, key == LimitKey::AtLeast)
                }
                // "At most 0.5 V below" is the least value; "at least 0.5 V below" would be the greatest one to some and the
                // least one to others.
                (" below ", LimitKey::AtLeast) => {
                    let expected = "at_most for what may be that much lower, or at_least with \"above\"";
                    return Err(UnitError::Form { found: text.to_owned(), expected });
                }
                (word, _) => {
                    let by: Measure = amount.parse()?;
                    let is_below = word == " below ";
                    let offset = if is_below { -by.value } else { by.value };
                    (edge(1.0, offset), None, Some(by.dimension), is_below || key == LimitKey::AtLeast)
                }
            };
            let (low, high) = if is_low { (bound, None) } else { (None, bound) };
            (low, high, per, offset, rest)
        }
        LimitKey::Between => {
            let Some((amount, _, rest)) = first_word(text, &[" of "]) else { return Ok(None) };
            let (low, high) = [" to ", " and "].iter().find_map(|word| amount.split_once(word)).ok_or_else(wrong)?;
            // The first unit may be left out.
            let low = if split_number(low).is_some_and(|(_, unit)| unit.is_empty()) {
                format!("{low} {}", split_number(high).ok_or_else(wrong)?.1)
            } else {
                low.to_owned()
            };
            let ((low, per), (high, other)) = (factor(&low).ok_or_else(wrong)?, factor(high).ok_or_else(wrong)?);
            if per != other {
                return Err(UnitError::Mixed { found: text.to_owned() });
            }
            if low > high {
                return Err(UnitError::Order { found: text.to_owned(), expected: "the smaller value first" });
            }
            (edge(low, 0.0), edge(high, 0.0), per, None, rest)
        }
        LimitKey::Nominal => {
            let found =
                ["±", "+/-", "+-"].iter().find_map(|sign| outside_quotes(text, sign).map(|at| (at, sign.len())));
            let Some((at, length)) = found else { return Ok(None) };
            let (reference, tolerance) = (&text[..at], text[at + length..].trim());
            if split_number(reference).is_some() {
                return Ok(None);
            }
            let negative = || UnitError::Order { found: text.to_owned(), expected: "a tolerance that is not negative" };
            match split_number(tolerance).ok_or_else(wrong)? {
                (percent, _) if percent < 0.0 => return Err(negative()),
                (percent, "%") => {
                    (edge(1.0 - percent / 100.0, 0.0), edge(1.0 + percent / 100.0, 0.0), None, None, reference)
                }
                _ => {
                    let by: Measure = tolerance.parse()?;
                    (edge(1.0, -by.value), edge(1.0, by.value), None, Some(by.dimension), reference)
                }
            }
        }
    };
    let words = match key {
        LimitKey::AtLeast => "at least ",
        LimitKey::AtMost => "at most ",
        LimitKey::Between | LimitKey::Nominal => "",
    };
    let reference = formula(reference).ok_or_else(wrong)?;
    let text = format!("{words}{}", text.split_whitespace().collect::<Vec<_>>().join(" "));
    Ok(Some(WrittenRelative { low, high, per, offset, reference, text }))
}

/// `80 %` as a share, or `3 mV/A` as volts for each ampere.
fn factor(text: &str) -> Option<(f64, Option<(Dimension, Dimension)>)> {
    match split_number(text)? {
        (percent, "%") => Some((percent / 100.0, None)),
        _ => {
            let scale: Scale = text.trim().parse().ok()?;
            let (out, per) = (scale.from?, scale.to?);
            (scale.tolerance == 0.0 && scale.offset == 0.0).then_some((1.0 / scale.factor, Some((out, per))))
        }
    }
}

/// The text before and behind the first of these words outside of quotes.
fn first_word<'a>(text: &'a str, words: &[&'static str]) -> Option<(&'a str, &'static str, &'a str)> {
    let found = words.iter().filter_map(|word| outside_quotes(text, word).map(|at| (at, *word)));
    let (at, word) = found.min_by_key(|(at, _)| *at)?;
    Some((&text[..at], word, &text[at + word.len()..]))
}

/// Where a word begins for the first time outside of quotes.
fn outside_quotes(text: &str, word: &str) -> Option<usize> {
    let mut quote = None;
    for (at, c) in text.char_indices() {
        match quote {
            Some(open) if c == open => quote = None,
            Some(_) => {}
            None if text[at..].starts_with(word) => return Some(at),
            None if c == '\'' || c == '"' => quote = Some(c),
            None => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{super::formula::Name, *};

    fn name() -> impl Strategy<Value = String> {
        "[a-zA-Z0-9 +*/,°-]{1,12}"
            .prop_map(|name| name.trim().to_owned())
            .prop_filter("not empty", |name| !name.is_empty())
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(names in prop::collection::vec((name(), 0..4u8), 1..5), percent in 1..200u32) {
            let mut text = format!("{percent} % of ");
            let mut expected: Vec<(bool, Vec<Name>, Vec<Name>)> = Vec::new();
            for (place, (name, operator)) in names.iter().enumerate() {
                let own = Name { text: name.clone(), is_channel: false };
                match (place, operator) {
                    (0, _) => expected.push((false, vec![own], Vec::new())),
                    (_, 0) => { text += " + "; expected.push((false, vec![own], Vec::new())); }
                    (_, 1) => { text += " - "; expected.push((true, vec![own], Vec::new())); }
                    (_, 2) => { text += " × "; expected.last_mut().unwrap().1.push(own); }
                    (_, _) => { text += "/"; expected.last_mut().unwrap().2.push(own); }
                }
                text += &format!("'{name}'");
            }
            let read = relative(LimitKey::AtMost, &text).unwrap().unwrap();
            prop_assert_eq!(read.reference, WrittenReference::Sum(expected));
            prop_assert_eq!(read.high, Some(RelativeEdge { factor: f64::from(percent) / 100.0, offset: 0.0 }));
        }

        #[test]
        fn hostile_text_is_read_or_refused(text in ".{0,40}", tail in "[ '\"a-c+*/,±%0-9-]{0,24}") {
            for key in [LimitKey::AtLeast, LimitKey::AtMost, LimitKey::Between, LimitKey::Nominal] {
                drop(relative(key, &text));
                drop(relative(key, &format!("5 % of {tail}")));
                drop(relative(key, &format!("{tail} ± 5 %")));
            }
        }
    }
}
