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
//!
//! This file has the limit as the judge uses it. `text` reads the amount, the word and what they refer to; `formula` the
//! reference, with names as written; `resolve` looks the names up among the steps.

mod formula;
mod resolve;
mod text;

use std::fmt;

pub(super) use resolve::RelativeError;
pub(super) use text::{LimitKey, WrittenRelative, relative};

use crate::units::{Dimension, Limit};

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
}
