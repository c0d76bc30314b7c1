//! Numbers, values and sentences as a person says them: "twelve point four volts".
//!
//! The one shape of spoken text: announcements, questions and the live page all take theirs from here.

use std::sync::LazyLock;

use regex::{Captures, Regex};

use super::{Limit, Quantity, show::spoken_prefix};

const UNITS: [&str; 20] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
];

const TENS: [&str; 10] = ["", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];

/// Units as they are written behind a number, of one and of several. People write u where a keyboard has no µ.
const SPOKEN_UNITS: &[(&str, &str, &str)] = &[
    ("V", "volt", "volts"),
    ("mV", "millivolt", "millivolts"),
    ("µV", "microvolt", "microvolts"),
    ("uV", "microvolt", "microvolts"),
    ("kV", "kilovolt", "kilovolts"),
    ("A", "amp", "amps"),
    ("mA", "milliamp", "milliamps"),
    ("µA", "microamp", "microamps"),
    ("uA", "microamp", "microamps"),
    ("ohm", "ohm", "ohms"),
    ("mohm", "milliohm", "milliohms"),
    ("µohm", "microohm", "microohms"),
    ("uohm", "microohm", "microohms"),
    ("kohm", "kiloohm", "kiloohms"),
    ("Mohm", "megohm", "megohms"),
    ("mV/A", "millivolt per amp", "millivolts per amp"),
    ("Hz", "hertz", "hertz"),
    ("kHz", "kilohertz", "kilohertz"),
    ("MHz", "megahertz", "megahertz"),
    ("%", "percent", "percent"),
    ("°C", "degree", "degrees"),
    ("deg", "degree", "degrees"),
    ("W", "watt", "watts"),
    ("mW", "milliwatt", "milliwatts"),
    ("kW", "kilowatt", "kilowatts"),
    ("s", "second", "seconds"),
    ("ms", "millisecond", "milliseconds"),
    ("µs", "microsecond", "microseconds"),
    ("us", "microsecond", "microseconds"),
    ("min", "minute", "minutes"),
    ("h", "hour", "hours"),
    ("µF", "microfarad", "microfarads"),
    ("uF", "microfarad", "microfarads"),
    ("nF", "nanofarad", "nanofarads"),
    ("pF", "picofarad", "picofarads"),
    ("kPa", "kilopascal", "kilopascals"),
    ("MPa", "megapascal", "megapascals"),
    ("Pa", "pascal", "pascals"),
    ("bar", "bar", "bar"),
    ("km/h", "kilometre per hour", "kilometres per hour"),
    ("rpm", "turn a minute", "turns a minute"),
    ("m", "metre", "metres"),
    ("mm", "millimetre", "millimetres"),
];

/// `12.61` is "twelve point six": one digit behind the point. A number of a million and more is given in digits.
pub(crate) fn spoken(value: f64) -> String {
    spoken_decimal(&format!("{value:.1}"))
}

/// A value with its unit and no more digits than it takes to see on which side of its limit it is: three, or up to two more beside
/// the limit. `12.58` at a limit of 11.8 is "twelve point six volts".
pub(crate) fn spoken_value(value: f64, quantity: Quantity, limit: Option<Limit>) -> String {
    let (name, factor) = spoken_prefix(value, quantity.dimension());
    let bounds = limit.map(|limit| [limit.low, limit.high]).into_iter().flatten().flatten();
    let (scaled, bounds) = (value / factor, bounds.map(|bound| bound / factor).collect::<Vec<f64>>());
    let decimals = decimals(scaled, 3);
    let is_clear = |decimals: usize| {
        let digit = 0.1_f64.powi(i32::try_from(decimals).unwrap_or(0));
        bounds.iter().all(|bound| (scaled - bound).abs() >= digit)
    };
    let decimals = (decimals..=decimals + 2).find(|decimals| is_clear(*decimals)).unwrap_or(decimals + 2);
    with_unit(&format!("{scaled:.decimals$}"), &format!("{name}{}", quantity.unit()))
}

/// A difference to two digits, with its unit where that is not the one of the value that it belongs to.
pub(crate) fn spoken_difference(by: f64, of: f64, quantity: Quantity) -> String {
    let dimension = quantity.dimension();
    let (name, factor) = spoken_prefix(by, dimension);
    let text = format!("{:.*}", decimals(by / factor, 2), by / factor);
    if factor == spoken_prefix(of, dimension).1 {
        return spoken_decimal(&text);
    }
    with_unit(&text, &format!("{name}{}", quantity.unit()))
}

/// How many digits behind the point give a number so many digits in all.
fn decimals(number: f64, digits: i32) -> usize {
    let size = number.abs();
    let place = if size > 0.0 { size.log10().floor() as i32 } else { 0 };
    usize::try_from(digits - 1 - place).unwrap_or(0).min(6)
}

/// A sentence for a speech program: numbers and units as words, without what is meant for the eye.
pub(crate) fn spoken_sentence(text: &str) -> String {
    static NUMBERS: LazyLock<Regex> = LazyLock::new(|| {
        let mut units: Vec<String> = SPOKEN_UNITS.iter().map(|(unit, ..)| regex::escape(unit)).collect();
        // The longest first: mV/A is not mV.
        units.sort_by_key(|unit| std::cmp::Reverse(unit.len()));
        let pattern = format!(r"(?<number>-?[0-9]+(?:\.[0-9]+)?)(?: ?(?<unit>{}))?", units.join("|"));
        Regex::new(&pattern).expect("the pattern is made of constants")
    });
    static FUNCTIONS: LazyLock<Regex> =
        LazyLock::new(|| Regex::new(r"\b(?<unit>V|A|ohm)(?<kind> [AD]C)?\b").expect("the pattern is a constant"));
    let is_apart = |before: Option<char>, after: Option<char>| {
        let joins = |character: char| character.is_alphanumeric() || "_-:/.".contains(character);
        let ends = |character: char| character.is_alphanumeric() || "_-:/".contains(character);
        !before.is_some_and(joins) && !after.is_some_and(ends)
    };
    let plain: String = text.replace('±', "plus or minus").chars().filter(|letter| !"`\"".contains(*letter)).collect();
    let mut words = String::with_capacity(plain.len());
    let mut copied = 0;
    for found in NUMBERS.captures_iter(&plain) {
        let whole = found.get_match();
        let before = plain[..whole.start()].chars().next_back();
        let after = plain[whole.end()..].chars().next();
        // A point at the end of a sentence is none of the number.
        let goes_on = plain[whole.end()..].starts_with('.')
            && plain[whole.end() + 1..].starts_with(|next: char| next.is_ascii_alphanumeric());
        if !is_apart(before, after) || goes_on {
            continue;
        }
        words += &plain[copied..whole.start()];
        words += &match found.name("unit") {
            Some(unit) => with_unit(&found["number"], unit.as_str()),
            None => spoken_decimal(&found["number"]),
        };
        copied = whole.end();
    }
    words += &plain[copied..];
    let words = FUNCTIONS.replace_all(&words, |found: &Captures<'_>| {
        let whole = found.get_match();
        // The A of a job's number is no unit.
        if !is_apart(words[..whole.start()].chars().next_back(), words[whole.end()..].chars().next()) {
            return whole.as_str().to_owned();
        }
        let unit = match &found["unit"] {
            "V" => "volts",
            "A" => "amps",
            _ => "ohms",
        };
        format!("{unit}{}", found.name("kind").map_or("", |kind| kind.as_str()))
    });
    words.replace("OL", "overload")
}

fn with_unit(number: &str, unit: &str) -> String {
    let words = spoken_decimal(number);
    let known = SPOKEN_UNITS.iter().find(|(written, ..)| *written == unit);
    match known {
        _ if unit.is_empty() || unit == "1" => words,
        Some((_, one, _)) if words == "one" => format!("{words} {one}"),
        Some((_, _, several)) => format!("{words} {several}"),
        None => format!("{words} {unit}"),
    }
}

/// The digits of a number as words: `-12.60` is "minus twelve point six", and `0.2`, as the trade says it, "point two".
fn spoken_decimal(text: &str) -> String {
    let (sign, digits) = text.strip_prefix('-').map_or(("", text), |digits| ("minus ", digits));
    let (whole, behind) = digits.split_once('.').unwrap_or((digits, ""));
    let behind = behind.trim_end_matches('0');
    let Some(number) = whole.parse::<usize>().ok().filter(|number| *number < 1_000_000) else {
        return match behind {
            "" => format!("{sign}{whole}"),
            _ => format!("{sign}{whole}.{behind}"),
        };
    };
    let behind: String = behind.bytes().map(|digit| format!(" {}", UNITS[usize::from(digit - b'0')])).collect();
    match (number, behind.as_str()) {
        (0, "") => UNITS[0].to_owned(),
        (number, "") => format!("{sign}{}", below_million(number)),
        (0, behind) => format!("{sign}point{behind}"),
        (number, behind) => format!("{sign}{} point{behind}", below_million(number)),
    }
}

fn below_million(number: usize) -> String {
    match (number / 1000, number % 1000) {
        (0, rest) => below_thousand(rest),
        (thousands, 0) => format!("{} thousand", below_thousand(thousands)),
        (thousands, rest) => format!("{} thousand {}", below_thousand(thousands), below_thousand(rest)),
    }
}

fn below_thousand(number: usize) -> String {
    let (hundreds, rest) = (number / 100, number % 100);
    let rest_words = match (rest / 10, rest % 10) {
        (0 | 1, _) => UNITS[rest].to_owned(),
        (ten, 0) => TENS[ten].to_owned(),
        (ten, unit) => format!("{}-{}", TENS[ten], UNITS[unit]),
    };
    match (hundreds, rest) {
        (0, _) => rest_words,
        (_, 0) => format!("{} hundred", UNITS[hundreds]),
        _ => format!("{} hundred {rest_words}", UNITS[hundreds]),
    }
}

/// The first letter of a sentence as a capital one.
pub(crate) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_said_as_at_the_bench() {
        for (value, words) in [
            (12.61, "twelve point six"),
            (0.2, "point two"),
            (0.04, "zero"),
            (-0.04, "zero"),
            (24.0, "twenty-four"),
            (-12.6, "minus twelve point six"),
            (118.0, "one hundred eighteen"),
            (20.05, "twenty point one"),
            (1500.0, "one thousand five hundred"),
            (1e9, "1000000000"),
        ] {
            assert_eq!(spoken(value), words);
        }
        assert_eq!(sentence("point two"), "Point two");
    }

    #[test]
    fn values_have_no_more_digits_than_their_limit_needs() {
        let volts = |low, high| Some(Limit { low, high, dimension: Quantity::VoltsDc.dimension() });
        for (value, quantity, limit, words) in [
            (12.41, Quantity::VoltsDc, volts(Some(11.8), None), "twelve point four volts"),
            // Beside the limit the digit that parts them is said.
            (11.83, Quantity::VoltsDc, volts(Some(11.8), None), "eleven point eight three volts"),
            (0.098, Quantity::VoltsDc, volts(None, Some(0.1)), "ninety-eight millivolts"),
            (0.0998, Quantity::VoltsDc, volts(None, Some(0.1)), "ninety-nine point eight millivolts"),
            (-0.341, Quantity::VoltsDc, volts(None, Some(0.1)), "minus point three four one volts"),
            (6.2, Quantity::Ohms, None, "six point two ohms"),
            (1.0, Quantity::AmpsDc, None, "one amp"),
            (0.0, Quantity::VoltsDc, None, "zero volts"),
            (1534.0, Quantity::ShaftSpeed, None, "one thousand five hundred thirty-four turns a minute"),
            (4.0, Quantity::Number, None, "four"),
        ] {
            assert_eq!(spoken_value(value, quantity, limit), words);
        }
        assert_eq!(spoken_difference(1.43, 9.53, Quantity::Ohms), "one point four");
        assert_eq!(spoken_difference(0.05, 7.1, Quantity::VoltsDc), "fifty millivolts");
    }

    #[test]
    fn sentences_have_whole_words_and_names_stay_as_they_are() {
        for (text, words) in [
            (
                "12.41 V, at least 11.80 V wanted",
                "twelve point four one volts, at least eleven point eight volts wanted",
            ),
            ("switch handheld from V DC to ohm", "switch handheld from volts DC to ohms"),
            ("its fuse is 10 A.", "its fuse is ten amps."),
            ("7.59 ohm ± 0.13 ohm", "seven point five nine ohms plus or minus point one three ohms"),
            ("a good coil at 36 to 63 °C", "a good coil at thirty-six to sixty-three degrees"),
            (
                "nothing through it, then `bayline zero \"lift coil\"`",
                "nothing through it, then bayline zero lift coil",
            ),
            ("OL: open", "overload: open"),
            (
                "fuse F12 of A-113, 2026-11-26 at 12:30, version 0.1.0",
                "fuse F12 of A-113, 2026-11-26 at 12:30, version 0.1.0",
            ),
            ("-0.5 A is too little", "minus point five amps is too little"),
            ("100 mV/A", "one hundred millivolts per amp"),
            ("", ""),
        ] {
            assert_eq!(spoken_sentence(text), words);
        }
    }
}
