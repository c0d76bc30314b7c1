//! A limit that refers to other values: to what another step captured or to what another channel shows.
//!
//! ```text
//! at_most  = "0.5 V below battery"                   below, above
//! at_least = "80 % of sum of 'lift amps', 'tilt amps'"   share of a sum
//! between  = "92 % to 105 % of 'coil volts' / 'coil ohms'"
//! at_most  = "3 mV/A of 'ground current'"            so much for each of it
//! nominal  = "'post to clamp' + 'clamp to stud' ± 5 %"
//! nominal  = "siblings ± 5 %"                        the same of the other circuits
//! ```
//!
//! A name is that of a step, otherwise that of a channel; `channel battery` is the channel in any case. Names with `+`, `-`,
//! `*`, `/`, a comma or the word "and" in them stand in quotes. Knows no value that was measured.

use std::fmt;

use super::Step;
use crate::units::{Dimension, Limit, Measure, Scale, UnitError, split_number};

/// What a value must keep to, by another value.
#[derive(Debug, Clone, PartialEq)]
pub struct RelativeLimit {
    /// The least value that is in limit.
    pub low: Option<RelativeEdge>,
    /// The greatest value that is in limit.
    pub high: Option<RelativeEdge>,
    /// What it refers to.
    pub reference: ReferenceValue,
    /// The limit in words, such as `at most 0.5 V below battery`.
    pub text: String,
}

/// An edge of a relative limit: a share of the reference, and so much more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RelativeEdge {
    /// By which the reference is multiplied.
    pub factor: f64,
    /// What is added, base units of the step's quantity.
    pub offset: f64,
}

/// The value that a limit refers to.
#[derive(Debug, Clone, PartialEq)]
pub enum ReferenceValue {
    /// Terms added up.
    Sum(Vec<ReferenceTerm>),
    /// The mean of values.
    Mean(Vec<ValueSource>),
    /// The median of those that are there: the steps of the other circuits with the same role.
    Siblings(Vec<ValueSource>),
}

/// A product of values, over others.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceTerm {
    /// Whether it is subtracted.
    pub is_negative: bool,
    /// At least one.
    pub times: Vec<ValueSource>,
    /// By which it is divided.
    pub over: Vec<ValueSource>,
}

/// Where a value comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ValueSource {
    /// What the step of this name captured.
    Step(String),
    /// What the channel of this name shows.
    Channel(String),
}

impl ValueSource {
    /// The name of the step or the channel.
    pub fn name(&self) -> &str {
        match self {
            Self::Step(name) | Self::Channel(name) => name,
        }
    }
}

impl ReferenceValue {
    /// All values, in the order in which they are written.
    pub fn sources(&self) -> Vec<&ValueSource> {
        match self {
            Self::Sum(terms) => terms.iter().flat_map(|term| term.times.iter().chain(&term.over)).collect(),
            Self::Mean(sources) | Self::Siblings(sources) => sources.iter().collect(),
        }
    }

    /// What it measures, by what each value measures; none where the units do not go together.
    pub fn dimension(&self, of: impl Fn(&ValueSource) -> Option<Dimension>) -> Option<Dimension> {
        let mut all = match self {
            Self::Sum(terms) => terms.iter().map(|term| term.dimension(&of)).collect::<Option<Vec<_>>>()?,
            Self::Mean(sources) | Self::Siblings(sources) => sources.iter().map(of).collect::<Option<Vec<_>>>()?,
        };
        let first = all.pop()?;
        all.iter().all(|other| *other == first).then_some(first)
    }
}

impl ReferenceTerm {
    fn dimension(&self, of: impl Fn(&ValueSource) -> Option<Dimension>) -> Option<Dimension> {
        if let ([only], []) = (&self.times[..], &self.over[..]) {
            return of(only);
        }
        let (mut volts, mut amps) = (0, 0);
        let factors = self.times.iter().map(|source| (source, 1)).chain(self.over.iter().map(|source| (source, -1)));
        for (source, sign) in factors {
            let (volt, ampere) = powers(of(source)?)?;
            volts += sign * volt;
            amps += sign * ampere;
        }
        BY_POWERS.iter().find(|(_, powers)| *powers == (volts, amps)).map(|(dimension, _)| *dimension)
    }
}

/// Powers of volt and ampere in each unit that can be multiplied and divided.
const BY_POWERS: [(Dimension, (i32, i32)); 6] = [
    (Dimension::Volt, (1, 0)),
    (Dimension::Ampere, (0, 1)),
    (Dimension::Ohm, (1, -1)),
    (Dimension::Watt, (1, 1)),
    (Dimension::Plain, (0, 0)),
    (Dimension::Percent, (0, 0)),
];

fn powers(dimension: Dimension) -> Option<(i32, i32)> {
    BY_POWERS.iter().find(|(known, _)| *known == dimension).map(|(_, powers)| *powers)
}

/// Which kind of limit it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LimitKey {
    AtLeast,
    AtMost,
    Between,
    Nominal,
}

/// A relative limit as written: its names are not known as steps or channels yet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WrittenRelative {
    low: Option<RelativeEdge>,
    high: Option<RelativeEdge>,
    /// What the value must measure for what the reference measures, where the limit is so much for each of it.
    per: Option<(Dimension, Dimension)>,
    /// What is added, where something is.
    offset: Option<Dimension>,
    reference: Written,
    text: String,
}

#[derive(Debug, Clone, PartialEq)]
enum Written {
    Sum(Vec<(bool, Vec<Name>, Vec<Name>)>),
    /// `sum of` a list: each may be a set.
    SumOf(Vec<Name>),
    Mean(Vec<Name>),
    Siblings,
}

#[derive(Debug, Clone, PartialEq)]
struct Name {
    text: String,
    is_channel: bool,
}

const EXPECTED: &str = "a value that refers to others, such as \"0.5 V below battery\", \"80 % of sum of 'lift amps', 'tilt amps'\", \
                        \"3 mV/A of 'ground current'\" or \"siblings ± 5 %\"";

/// Reads a limit that refers to other values; none where it is a plain one.
pub(super) fn relative(key: LimitKey, text: &str) -> Result<Option<WrittenRelative>, UnitError> {
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
    let reference = written(reference).ok_or_else(wrong)?;
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

enum FormulaToken {
    Name(Name),
    Plus,
    Minus,
    Times,
    Over,
    Comma,
}

fn written(text: &str) -> Option<Written> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("siblings") {
        return Some(Written::Siblings);
    }
    let list = |rest: &str| -> Option<Vec<Name>> {
        let mut names = Vec::new();
        let mut is_name_next = true;
        for token in tokens(rest)? {
            match token {
                FormulaToken::Name(name) if is_name_next => names.push(name),
                FormulaToken::Comma if !is_name_next => {}
                _ => return None,
            }
            is_name_next = !is_name_next;
        }
        (!is_name_next).then_some(names)
    };
    if let Some(rest) = text.strip_prefix("sum of ") {
        return list(rest).map(Written::SumOf);
    }
    if let Some(rest) = text.strip_prefix("mean of ") {
        return list(rest).map(Written::Mean);
    }
    let mut terms: Vec<(bool, Vec<Name>, Vec<Name>)> = vec![(false, Vec::new(), Vec::new())];
    let mut is_over = false;
    let mut is_name_next = true;
    for token in tokens(text)? {
        let term = terms.last_mut()?;
        match (token, is_name_next) {
            (FormulaToken::Name(name), true) => {
                if is_over {
                    term.2.push(name)
                } else {
                    term.1.push(name)
                }
            }
            (FormulaToken::Times, false) => is_over = false,
            (FormulaToken::Over, false) => is_over = true,
            (FormulaToken::Plus, false) => {
                terms.push((false, Vec::new(), Vec::new()));
                is_over = false;
            }
            (FormulaToken::Minus, false) => {
                terms.push((true, Vec::new(), Vec::new()));
                is_over = false;
            }
            _ => return None,
        }
        is_name_next = !is_name_next;
    }
    (!is_name_next).then_some(Written::Sum(terms))
}

/// Names and what stands between them; none where a quote is not closed or a name is empty.
fn tokens(text: &str) -> Option<Vec<FormulaToken>> {
    let mut tokens = Vec::new();
    let mut bare = String::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let blank_before = bare.is_empty() || bare.ends_with(char::is_whitespace);
        let after = &rest[c.len_utf8()..];
        let blank_after = after.is_empty() || after.starts_with(char::is_whitespace);
        let operator = match c {
            '*' | '×' | '·' => Some(FormulaToken::Times),
            '/' => Some(FormulaToken::Over),
            ',' => Some(FormulaToken::Comma),
            '+' if blank_before && blank_after => Some(FormulaToken::Plus),
            '-' | '\u{2212}' if blank_before && blank_after => Some(FormulaToken::Minus),
            _ => None,
        };
        if let Some(operator) = operator {
            flush(&mut bare, &mut tokens);
            tokens.push(operator);
            rest = after;
        } else if blank_before && rest.starts_with("and ") && !bare.trim().is_empty() {
            flush(&mut bare, &mut tokens);
            tokens.push(FormulaToken::Comma);
            rest = &rest["and ".len()..];
        } else if (c == '\'' || c == '"') && blank_before {
            let is_channel = bare.trim() == "channel";
            if !is_channel && !bare.trim().is_empty() {
                return None;
            }
            bare.clear();
            let end = after.find(c)?;
            let name = after[..end].trim();
            if name.is_empty() {
                return None;
            }
            tokens.push(FormulaToken::Name(Name { text: name.to_owned(), is_channel }));
            rest = after[end + 1..].trim_start();
            if rest.strip_prefix("and ").is_some() {
                tokens.push(FormulaToken::Comma);
                rest = &rest["and ".len()..];
            }
        } else {
            bare.push(c);
            rest = after;
        }
    }
    flush(&mut bare, &mut tokens);
    Some(tokens)
}

fn flush(bare: &mut String, tokens: &mut Vec<FormulaToken>) {
    let text = bare.trim();
    let (text, is_channel) = match text.strip_prefix("channel ") {
        Some(channel) => (channel.trim(), true),
        None => (text, false),
    };
    if !text.is_empty() {
        tokens.push(FormulaToken::Name(Name { text: text.to_owned(), is_channel }));
    }
    bare.clear();
}

/// Why the names of a relative limit can't be used.
#[derive(Debug, thiserror::Error)]
pub(super) enum RelativeError {
    #[error("found \"{found}\" in the limit of that step itself, expected another step or a channel")]
    Itself { found: String },
    #[error(
        "found the set \"{found}\", expected one of its items, or \"sum of {found}\" or \"mean of {found}\" for all of them"
    )]
    IsASet { found: String },
    #[error("found siblings, expected a role beside them and other circuits with a step of the same role")]
    NoSiblings,
    #[error("found a limit that refers to others, expected quantity = \"…\" beside it")]
    NoQuantity,
    #[error("found a reference in {found}, expected {expected} as the step's quantity is \"{quantity}\"")]
    Unit { found: String, expected: &'static str, quantity: &'static str },
}

impl WrittenRelative {
    /// The limit of the step at this place, its names looked up among all steps.
    pub(super) fn resolve(self, place: usize, steps: &[Step]) -> Result<RelativeLimit, RelativeError> {
        let own = &steps[place];
        let Some(quantity) = own.quantity else { return Err(RelativeError::NoQuantity) };
        let reference = match self.reference {
            Written::Siblings => ReferenceValue::Siblings(siblings(own, steps)?),
            Written::SumOf(names) => {
                let sources = all_sources(names, own, steps)?;
                let term = |source| ReferenceTerm { is_negative: false, times: vec![source], over: Vec::new() };
                ReferenceValue::Sum(sources.into_iter().map(term).collect())
            }
            Written::Mean(names) => ReferenceValue::Mean(all_sources(names, own, steps)?),
            Written::Sum(terms) => {
                let each = |names: Vec<Name>| -> Result<Vec<ValueSource>, RelativeError> {
                    names.into_iter().map(|name| source(name, own, steps)).collect()
                };
                let term = |(is_negative, times, over)| {
                    Ok(ReferenceTerm { is_negative, times: each(times)?, over: each(over)? })
                };
                ReferenceValue::Sum(terms.into_iter().map(term).collect::<Result<_, RelativeError>>()?)
            }
        };
        let unit = |found: Dimension, expected: Dimension| RelativeError::Unit {
            found: found.unit().to_owned(),
            expected: expected.unit(),
            quantity: quantity.word(),
        };
        let own_dimension = quantity.dimension();
        let wanted = match self.per {
            Some((out, per)) if out == own_dimension => per,
            Some((out, _)) => return Err(unit(out, own_dimension)),
            None => own_dimension,
        };
        if let Some(offset) = self.offset.filter(|offset| *offset != own_dimension) {
            return Err(unit(offset, own_dimension));
        }
        // What a channel shows is known to the bench alone, and checked when it is read.
        let of_step = |source: &ValueSource| match source {
            ValueSource::Step(name) => steps.iter().find(|step| step.name == *name)?.quantity.map(|q| q.dimension()),
            ValueSource::Channel(_) => None,
        };
        let is_known = reference.sources().into_iter().all(|source| of_step(source).is_some());
        match reference.dimension(of_step) {
            Some(found) if found != wanted => return Err(unit(found, wanted)),
            None if is_known => {
                return Err(RelativeError::Unit {
                    found: "units that do not go together".to_owned(),
                    expected: wanted.unit(),
                    quantity: quantity.word(),
                });
            }
            _ => {}
        }
        Ok(RelativeLimit { low: self.low, high: self.high, reference, text: self.text })
    }

    /// What it says of the value alone, as far as contact goes: whether a small value breaks it.
    pub(super) fn has_low(&self) -> bool {
        self.low.is_some()
    }
}

fn siblings(own: &Step, steps: &[Step]) -> Result<Vec<ValueSource>, RelativeError> {
    let same = steps.iter().filter(|step| {
        step.role.is_some() && step.role == own.role && step.quantity == own.quantity && step.circuit != own.circuit
    });
    let sources: Vec<ValueSource> = same.map(|step| ValueSource::Step(step.name.clone())).collect();
    if sources.is_empty() { Err(RelativeError::NoSiblings) } else { Ok(sources) }
}

/// The sources of names, each item of a set being one.
fn all_sources(names: Vec<Name>, own: &Step, steps: &[Step]) -> Result<Vec<ValueSource>, RelativeError> {
    let mut sources = Vec::new();
    for name in names {
        let items = steps.iter().filter(|step| {
            !name.is_channel && step.set.as_ref().is_some_and(|set| set.eq_ignore_ascii_case(&name.text))
        });
        let before = sources.len();
        sources.extend(items.map(|step| ValueSource::Step(step.name.clone())));
        if sources.len() == before {
            sources.push(source(name, own, steps)?);
        }
    }
    if sources.iter().any(|source| matches!(source, ValueSource::Step(name) if *name == own.name)) {
        return Err(RelativeError::Itself { found: own.name.clone() });
    }
    Ok(sources)
}

fn source(name: Name, own: &Step, steps: &[Step]) -> Result<ValueSource, RelativeError> {
    if name.is_channel {
        return Ok(ValueSource::Channel(name.text));
    }
    if let Some(step) = steps.iter().find(|step| step.name.eq_ignore_ascii_case(&name.text)) {
        if step.name == own.name {
            return Err(RelativeError::Itself { found: name.text });
        }
        return Ok(ValueSource::Step(step.name.clone()));
    }
    if steps.iter().any(|step| step.set.as_ref().is_some_and(|set| set.eq_ignore_ascii_case(&name.text))) {
        return Err(RelativeError::IsASet { found: name.text });
    }
    Ok(ValueSource::Channel(name.text))
}

impl RelativeLimit {
    /// The limit for a value of the reference, base units. Where a negative reference turns the edges round, they are put
    /// in order.
    pub fn at(&self, reference: f64, dimension: Dimension) -> Limit {
        let edge = |edge: Option<RelativeEdge>| edge.map(|edge| edge.factor * reference + edge.offset);
        let (low, high) = match (edge(self.low), edge(self.high)) {
            (Some(low), Some(high)) if low > high => (Some(high), Some(low)),
            edges => edges,
        };
        Limit { low, high, dimension }
    }
}

impl fmt::Display for RelativeLimit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::procedure::Procedure;

    const STEPS: &str = r#"
title = "t"
[[step]]
name = "battery at rest"
channel = "probe"
quantity = "V DC"
[[step]]
name = "volts"
channel = "probe"
quantity = "V DC"
[[step]]
name = "ohms"
channel = "probe"
quantity = "ohm"
[[step]]
name = "piece"
set = ["post to clamp", "clamp to stud"]
channel = "probe"
quantity = "V DC"
"#;

    fn limit(quantity: &str, limit: &str) -> Result<RelativeLimit, crate::mistake::Mistake> {
        let step =
            format!("{STEPS}[[step]]\nname = \"last\"\nchannel = \"probe\"\nquantity = \"{quantity}\"\n{limit}\n");
        Procedure::parse("p.toml", &step).map(|procedure| procedure.steps.last().unwrap().relative.clone().unwrap())
    }

    /// What each form limits, with the figures of an example worked out by hand.
    #[test]
    fn each_form_gives_its_limit() {
        for (quantity, text, reference, low, high) in [
            ("V DC", "at_most = \"0.5 V below battery\"", 12.6, Some(12.1), None),
            ("V DC", "at_most = \"0.3 V above 'battery at rest'\"", 12.6, None, Some(12.9)),
            ("V DC", "at_least = \"0.5 V above Battery at rest\"", 12.6, Some(13.1), None),
            ("A DC", "between = \"92 % to 105 % of volts/ohms\"", 1.6, Some(1.472), Some(1.68)),
            ("A DC", "between = \"92 to 105 % of volts / ohms\"", 1.6, Some(1.472), Some(1.68)),
            ("A DC", "at_least = \"80 % of sum of channel 'lift amps', 'tilt amps'\"", 5.0, Some(4.0), None),
            ("V DC", "nominal = \"sum of piece ± 5 %\"", 0.2, Some(0.19), Some(0.21)),
            (
                "V DC",
                "nominal = \"'piece: post to clamp' + 'piece: clamp to stud' ± 20 mV\"",
                0.2,
                Some(0.18),
                Some(0.22),
            ),
            ("V DC", "at_most = \"3 mV/A of 'ground current'\"", 40.0, None, Some(0.12)),
            ("V DC", "at_most = \"3 mV per A of ground current\"", 40.0, None, Some(0.12)),
            ("V DC", "nominal = \"mean of volts and battery at rest ± 1 %\"", -10.0, Some(-10.1), Some(-9.9)),
        ] {
            let limit = limit(quantity, text).unwrap_or_else(|mistake| panic!("{text}: {mistake}"));
            let at = limit.at(reference, Dimension::Volt);
            let near = |found: Option<f64>, expected: Option<f64>| match (found, expected) {
                (Some(found), Some(expected)) => (found - expected).abs() < 1e-12,
                (found, expected) => found == expected,
            };
            assert!(near(at.low, low) && near(at.high, high), "{text}: {at:?}");
        }
        let sources = limit("V DC", "nominal = \"sum of piece ± 5 %\"").unwrap();
        let names: Vec<&str> = sources.reference.sources().into_iter().map(ValueSource::name).collect();
        assert_eq!(names, ["piece: post to clamp", "piece: clamp to stud"]);
    }

    #[test]
    fn each_mistake_is_reported_with_its_line() {
        for (quantity, text, words) in [
            ("V DC", "at_least = \"0.5 V below battery\"", "at_least with \"above\""),
            ("V DC", "at_most = \"0.5 A below battery\"", "expected V"),
            ("V DC", "at_most = \"0.5 V below last\"", "that step itself"),
            ("V DC", "at_most = \"10 % of volts/ohms\"", "found a reference in A"),
            ("V DC", "at_most = \"10 % of volts + ohms\"", "do not go together"),
            ("V DC", "at_most = \"0.1 V above piece\"", "sum of piece"),
            ("V DC", "nominal = \"siblings ± 5 %\"", "a role beside them"),
            ("V DC", "at_most = \"3 mA/A of x\"", "expected V"),
            ("V DC", "at_most = \"3 mV/A of volts\"", "found a reference in V"),
            ("V DC", "at_most = \"0.1 V above x +\"", "refers to others"),
            ("V DC", "at_most = \"0.1 V above 'x\"", "refers to others"),
            ("V DC", "between = \"105 % to 92 % of x\"", "smaller value first"),
            ("V DC", "between = \"92 % to 3 mV/A of x\"", "the same unit"),
            ("V DC", "nominal = \"x ± -5 %\"", "not negative"),
        ] {
            let mistake = limit(quantity, text).unwrap_err();
            assert!(mistake.message.contains(words), "{text}: {mistake}");
            assert_eq!(mistake.line, 24, "{text}: {mistake}");
        }
        let mistake = Procedure::parse(
            "p.toml",
            "title = \"t\"\n[[step]]\nname = \"s\"\nchannel = \"c\"\nat_most = \"1 V below x\"\n",
        );
        assert!(mistake.unwrap_err().message.contains("expected quantity"));
    }

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
            prop_assert_eq!(read.reference, Written::Sum(expected));
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
