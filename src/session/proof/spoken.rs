//! Numbers as they are said.

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

/// `12.61` is "twelve point six": one digit behind the point. A number beyond ±999 is given in digits.
pub(super) fn spoken(value: f64) -> String {
    let tenths = (value.abs() * 10.0).round();
    if !(0.0..10_000.0).contains(&tenths) {
        return format!("{value:.0}");
    }
    let tenths = tenths as usize;
    let sign = if value < 0.0 && tenths > 0 { "minus " } else { "" };
    match (tenths / 10, tenths % 10) {
        // As the trade says it: "point two".
        (0, tenth) if tenth > 0 => format!("{sign}point {}", UNITS[tenth]),
        (whole, 0) => format!("{sign}{}", below_thousand(whole)),
        (whole, tenth) => format!("{sign}{} point {}", below_thousand(whole), UNITS[tenth]),
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
pub(super) fn sentence(text: &str) -> String {
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
            (24.0, "twenty-four"),
            (-12.6, "minus twelve point six"),
            (118.0, "one hundred eighteen"),
            (20.05, "twenty point one"),
            (1e9, "1000000000"),
        ] {
            assert_eq!(spoken(value), words);
        }
        assert_eq!(sentence("point two"), "Point two");
    }
}
