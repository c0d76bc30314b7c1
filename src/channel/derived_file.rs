//! A derived channel in the bench file: `of = "battery - feed"`.

use std::{ops::Range, str::FromStr, time::Duration};

use serde::Deserialize;
use toml::Spanned;

use super::{DerivedSpec, MeterSpec, Operation};
use crate::{
    mistake::{Mistake, Source},
    units::{AsWritten, Quantity, parse_duration},
};

/// Two readings of one channel farther apart than this are not joined: hand-held meters report two to four times a second.
const WITHIN: Duration = Duration::from_secs(1);

/// A `[[derived]]` of the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DerivedTable {
    name: Spanned<String>,
    of: Spanned<AsWritten<TwoChannels>>,
    within: Option<Spanned<String>>,
}

/// `battery - 'lift feed'`
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TwoChannels {
    names: [String; 2],
    operation: Operation,
}

/// What is no such formula.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "found \"{found}\", expected two channels with +, -, * or / and blanks between them, such as \"battery - 'lift feed'\" or \
     \"volts * amps\""
)]
pub(super) struct FormulaError {
    found: String,
}

impl FromStr for TwoChannels {
    type Err = FormulaError;

    fn from_str(text: &str) -> Result<Self, FormulaError> {
        let wrong = || FormulaError { found: text.to_owned() };
        let (first, rest) = name(text).ok_or_else(wrong)?;
        let mut rest = rest.trim_start().chars();
        let operation = match rest.next().ok_or_else(wrong)? {
            '-' | '\u{2212}' => Operation::Minus,
            '+' => Operation::Plus,
            '*' | '×' | '·' => Operation::Times,
            '/' => Operation::Over,
            _ => return Err(wrong()),
        };
        let (second, rest) = name(rest.as_str()).ok_or_else(wrong)?;
        rest.trim().is_empty().then_some(Self { names: [first, second], operation }).ok_or_else(wrong)
    }
}

/// A name at the beginning of a text, in quotes or up to an operator between blanks; and what follows.
fn name(text: &str) -> Option<(String, &str)> {
    let text = text.trim_start();
    let (name, rest) = match text.chars().next()? {
        quote @ ('\'' | '"') => {
            let (name, rest) = text[1..].split_once(quote)?;
            (name, rest)
        }
        _ => {
            let operators = [" - ", " \u{2212} ", " + ", " * ", " × ", " · ", " / "];
            let end = operators.iter().filter_map(|operator| text.find(operator)).min().unwrap_or(text.len());
            text.split_at(end)
        }
    };
    let name = name.trim();
    (!name.is_empty()).then(|| (name.to_owned(), rest))
}

/// The channel that the table describes, and where its name stands.
pub(super) fn derived_channel(
    source: Source,
    table: DerivedTable,
    meters: &[MeterSpec],
) -> Result<(DerivedSpec, Range<usize>), Mistake> {
    let name = table.name.get_ref().trim().to_owned();
    if name.is_empty() {
        return Err(source.mistake(table.name.span(), "found an empty name, expected one to call it by"));
    }
    let AsWritten { value: TwoChannels { names, operation }, text } = table.of.get_ref();
    // Meters that name their channels themselves may bring any.
    let all_named = meters.iter().all(|meter| !meter.channels.is_empty());
    let channels = || meters.iter().flat_map(|meter| &meter.channels);
    for wanted in names {
        if all_named && !channels().any(|channel| channel.name == *wanted) {
            let known: Vec<&str> = channels().map(|channel| channel.name.as_str()).collect();
            let message = format!("found \"{wanted}\", expected a channel of a meter: {}", known.join(", "));
            return Err(source.mistake(table.of.span(), message));
        }
    }
    let shows = |wanted: &str| channels().find(|channel| channel.name == wanted)?.conversion.shows();
    let quantity = match (shows(&names[0]), shows(&names[1])) {
        (Some(first), Some(second)) => Some(operation.quantity(first, second).ok_or_else(|| {
            let message = format!("found \"{text}\" of {first} and {second}, expected two that go together");
            source.mistake(table.of.span(), message)
        })?),
        _ => None::<Quantity>,
    };
    let within = match &table.within {
        None => WITHIN,
        Some(within) => {
            parse_duration(within.get_ref()).map_err(|error| source.mistake(within.span(), error.to_string()))?
        }
    };
    let spec = DerivedSpec { name, of: names.clone(), operation: *operation, text: text.clone(), within, quantity };
    Ok((spec, table.name.span()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{channel::Bench, protocol::Library};

    const BENCH: &str = "[[meter]]\nname = \"board\"\nport = \"/dev/x\"\nprotocol = \"columns\"\n\
                         [[meter.channel]]\nname = \"battery\"\nreads = \"v1\"\nquantity = \"V DC\"\n\
                         [[meter.channel]]\nname = \"lift-feed\"\nreads = \"v2\"\nquantity = \"V DC\"\n\
                         [[meter.channel]]\nname = \"lift coil\"\nreads = \"v3\"\nquantity = \"A DC\"\n";

    fn parse(derived: &str) -> Result<Bench, Mistake> {
        Bench::parse("bench.toml", &format!("{BENCH}[[derived]]\n{derived}\n"), &Library::new(Vec::new()))
    }

    #[test]
    fn a_formula_is_read() {
        for (of, names, operation, quantity) in [
            ("battery - lift-feed", ["battery", "lift-feed"], Operation::Minus, Quantity::VoltsDc),
            ("'battery' * 'lift coil'", ["battery", "lift coil"], Operation::Times, Quantity::Power),
            ("battery / lift coil", ["battery", "lift coil"], Operation::Over, Quantity::Ohms),
            ("battery + battery", ["battery", "battery"], Operation::Plus, Quantity::VoltsDc),
        ] {
            let bench = parse(&format!("name = \"x\"\nof = \"{of}\"")).unwrap();
            let spec = &bench.derived[0];
            assert_eq!(
                (&spec.of, spec.operation, spec.quantity),
                (&names.map(str::to_owned), operation, Some(quantity))
            );
            assert_eq!(bench.channel_names().unwrap().last().unwrap(), "x");
        }
        assert_eq!(
            parse("name = \"x\"\nof = \"battery - battery\"\nwithin = \"80 ms\"").unwrap().derived[0]
                .within
                .as_millis(),
            80
        );
    }

    #[test]
    fn each_mistake_is_reported_with_its_line() {
        for (text, line, words) in [
            ("name = \"x\"\nof = \"battery\"", 19, "expected two channels"),
            ("name = \"x\"\nof = \"battery - \"", 19, "expected two channels"),
            ("name = \"x\"\nof = \"battery - feed\"", 19, "expected a channel of a meter: battery, lift-feed"),
            ("name = \"x\"\nof = \"battery - lift coil\"", 19, "go together"),
            ("name = \"battery\"\nof = \"battery - lift-feed\"", 18, "second channel"),
            ("name = \"x\"\nof = \"battery - lift-feed\"\nwithin = \"2 V\"", 20, "length of time"),
            ("name = \"\"\nof = \"battery - lift-feed\"", 18, "empty name"),
        ] {
            let mistake = parse(text).unwrap_err();
            assert!(mistake.message.contains(words), "{text}: {mistake}");
            assert_eq!(mistake.line, line, "{text}: {mistake}");
        }
    }
}
