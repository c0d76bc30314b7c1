//! Mistakes in the files that people write: file, line, what was found and what was expected, in plain words.

use std::ops::Range;

use serde::de::DeserializeOwned;

/// One mistake in a bench, procedure or protocol file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{file}, line {line}: {message}")]
pub struct Mistake {
    /// The file as the user named it.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// What was found and what was expected.
    pub message: String,
}

impl Mistake {
    /// A mistake at a span of the text, as `toml::Spanned` gives it.
    pub fn at(file: &str, text: &str, span: Range<usize>, message: impl Into<String>) -> Self {
        Self { file: file.to_owned(), line: line_of(text, span.start), message: message.into() }
    }
}

/// A file's name and text, for the lines of mistakes in it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    /// The file as the user named it.
    pub file: &'a str,
    /// All of it.
    pub text: &'a str,
}

impl Source<'_> {
    /// A mistake at a span of the text.
    pub(crate) fn mistake(&self, span: Range<usize>, message: impl Into<String>) -> Mistake {
        Mistake::at(self.file, self.text, span, message)
    }

    /// The line of a byte of the text, counted from 1.
    pub(crate) fn line(&self, offset: usize) -> usize {
        line_of(self.text, offset)
    }

    /// A mistake that the TOML parser or a type found, at its own place.
    pub(crate) fn toml_mistake(&self, error: &toml::de::Error) -> Mistake {
        self.mistake(error.span().unwrap_or(0..0), plain(error.message().trim()).replace('\n', "; "))
    }
}

/// Reads a TOML file into the types that describe it.
pub(crate) fn parse_toml<T: DeserializeOwned>(file: &str, text: &str) -> Result<T, Mistake> {
    toml::from_str(text).map_err(|error| Source { file, text }.toml_mistake(&error))
}

/// What the TOML parser says of a text that is no TOML, and the sentence that replaces it. The first that fits is taken.
const SYNTAX: &[(&str, &str)] = &[
    ("missing escaped value", r#"found a lone \ in "…", expected \\ or the text in '…'"#),
    ("too few unicode value digits", r"expected more hexadecimal digits behind \x, \u or \U"),
    ("string values must be quoted", "expected a value: text in quotes or a number"),
    ("missing opening quote", "expected a quote at the beginning of the text"),
    ("invalid multi-line basic string", r#"expected """ at the end of the text"#),
    ("invalid basic string", "expected a quote at the end of the text"),
    ("key with no value", "found a key without a value, expected `=` and a value"),
    ("missing value", "expected a value behind `=`"),
    ("missing assignment", "expected `=` between key and value"),
    ("extra assignment", "found a second `=`, expected a value"),
    ("extra `=`", "found a second `=`, expected a value"),
    ("missing comma between array", "expected a comma between the values of a list"),
    ("missing comma between key", "expected a comma between the keys in { }"),
    ("extra comma", "found a comma without a value before it"),
    ("unexpected `=` in array", "found `=` in a list, expected values alone, or keys in { }"),
    ("unclosed array table", "expected ]] behind the name of a part"),
    ("unclosed table", "expected ] behind the name of a part"),
    ("unclosed inline table", "expected } at the end of { }"),
    ("unclosed array", "expected ] at the end of a list"),
    ("duplicate key", "found the same key or [part] twice; a part that repeats is written [[part]]"),
    ("unexpected leading zero", "found a number that begins with 0, expected none, or text in quotes"),
    ("unexpected key or value", "found more behind a value or [part], expected a new line, or # before a comment"),
    ("unexpected content", "found more behind a value or [part], expected a new line, or # before a comment"),
    ("invalid literal string", "expected a single quote at the end of the text"),
    ("invalid multi-line literal string", "expected \'\'\' at the end of the text"),
    ("invalid unquoted key", "expected a key of letters, digits, - and _, or in quotes"),
    ("unquoted keys cannot be empty", "expected a key before `=`"),
    ("missing key for inline table", "expected a key before `=`"),
    ("keys cannot be multi-line", "expected a key on one line"),
    ("redundant numeric sign", "found two signs before a number, expected one"),
    ("unexpected sign", "expected a number, or text in quotes"),
    ("carriage return must be", "found a lone carriage return, expected the end of the line"),
    ("cannot recurse further", "found lists or tables in each other too deep"),
    ("recursion limit", "found lists or tables in each other too deep"),
    ("wanted string or table", "expected text in quotes or a table in { }"),
    ("wanted exactly 1 element", "expected a table with one key"),
];

/// What JSON's parser says where serde does not, and what that means to whoever writes it.
const JSON_SYNTAX: [(&str, &str); 9] = [
    ("EOF while parsing", "it ends before the object does, expected } at its end"),
    ("expected value", "expected an object such as {\"do\":\"status\"}"),
    ("trailing characters", "found more behind the object, expected one object in a line"),
    ("trailing comma", "found a comma without a value behind it"),
    ("key must be a string", "expected a key in quotes"),
    ("expected `:`", "expected : between key and value"),
    ("expected `,` or", "expected a comma or the end behind a value"),
    ("invalid escape", "found a lone \\ in quotes, expected \\\\"),
    ("control character", "found a control character in quotes, expected \\n, \\t or the like"),
];

/// An error of JSON that a person or a script wrote, in plain words.
pub(crate) fn json_mistake(error: &serde_json::Error) -> String {
    let message = error.to_string();
    let message = message.rsplit_once(" at line ").map_or(&message[..], |(message, _)| message);
    match JSON_SYNTAX.iter().find(|(begin, _)| message.starts_with(begin)) {
        Some((_, words)) => (*words).to_owned(),
        None => plain(message).replace("keys in { } or a [part]", "an object").replace("a table of keys", "an object"),
    }
}

/// The words of serde and of the TOML parser in those of a person who writes the file.
fn plain(message: &str) -> String {
    if let Some((_, words)) = SYNTAX.iter().find(|(begin, _)| message.starts_with(begin)) {
        return (*words).to_owned();
    }
    if let Some((found, expected)) = message
        .strip_prefix("invalid type: ")
        .or_else(|| message.strip_prefix("invalid value: "))
        .and_then(|rest| rest.rsplit_once(", expected "))
    {
        if (found, expected) == ("map", "a sequence") {
            return "found one [part], expected [[part]] in double brackets, since it may repeat".to_owned();
        }
        return format!("found {}, expected {}", plain_found(found), plain_expected(expected));
    }
    if let Some((count, expected)) =
        message.strip_prefix("invalid length ").and_then(|rest| rest.split_once(", expected "))
    {
        return format!("found a list of length {count}, expected {}", plain_expected(expected));
    }
    if let Some(rest) = message.strip_prefix("unknown variant ") {
        return format!("found {}", rest.replace('`', "\""));
    }
    if let Some(rest) = message.strip_prefix("unknown field ") {
        return unknown_key(rest);
    }
    match message.strip_prefix("missing field ") {
        Some(rest) => format!("missing key {rest}"),
        None => message.to_owned(),
    }
}

/// `` `lmit`, expected one of `limit`, `name` `` with the key that was probably meant.
fn unknown_key(rest: &str) -> String {
    let mut keys = rest.split('`').skip(1).step_by(2);
    let found = keys.next().unwrap_or_default();
    let nearest = keys.map(|key| (distance(found, key), key)).min();
    // Every third letter may be wrong.
    match nearest.filter(|(distance, key)| 3 * distance <= key.chars().count().max(3)) {
        Some((_, key)) => format!(
            "unknown key `{found}`, did you mean `{key}`?{}",
            rest.split_once(',').map_or(String::new(), |(_, keys)| keys.to_owned())
        ),
        None => format!("unknown key {rest}"),
    }
}

/// How many letters must be changed, added or left out to make one word of the other (Levenshtein 1966); two that changed places
/// count once.
fn distance(one: &str, other: &str) -> usize {
    let (one, other): (Vec<char>, Vec<char>) = (one.chars().collect(), other.chars().collect());
    let mut rows = vec![vec![0; other.len() + 1]; one.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=one.len() {
        for j in 1..=other.len() {
            let changed = rows[i - 1][j - 1] + usize::from(one[i - 1] != other[j - 1]);
            rows[i][j] = changed.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && one[i - 1] == other[j - 2] && one[i - 2] == other[j - 1] {
                rows[i][j] = rows[i][j].min(rows[i - 2][j - 2] + 1);
            }
        }
    }
    rows[one.len()][other.len()]
}

/// What serde found: `` integer `3` `` is 3.
fn plain_found(found: &str) -> &str {
    match found {
        "sequence" => "a list",
        "map" => "keys in { } or a [part]",
        _ => match found.strip_prefix("string ") {
            Some(text) => text,
            None => found.split_once('`').and_then(|(_, rest)| rest.strip_suffix('`')).unwrap_or(found),
        },
    }
}

/// What serde expected: `u32` is a whole number.
fn plain_expected(expected: &str) -> String {
    let words = match expected {
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" | "u64" | "usize" => "a whole number, 0 or more",
        "i8" => "a whole number from -128 to 127",
        "i16" | "i32" | "i64" | "isize" => "a whole number",
        "f32" | "f64" => "a number",
        "a boolean" => "true or false",
        "a sequence" => "a list in [ ]",
        "a string" | "a borrowed string" | "a character" => "text in quotes",
        "a map" => "a table of keys",
        _ => match expected.split_once(' ') {
            Some(("struct" | "enum", _)) => "a table of keys",
            _ => match (expected.strip_prefix("a tuple of size "), expected.strip_prefix("a nonzero ")) {
                (Some(size), _) => return format!("a list of {size} values"),
                (_, Some(_)) => "a whole number, 1 or more",
                (None, None) => expected,
            },
        },
    };
    words.to_owned()
}

/// The places of a text's lines: finding many lines in it takes no time for each that grows with the text.
#[derive(Debug)]
pub(crate) struct LineNumbers(Vec<usize>);

impl LineNumbers {
    /// Of this text.
    pub(crate) fn of(text: &str) -> Self {
        Self(memchr::memchr_iter(b'\n', text.as_bytes()).collect())
    }

    /// The line of a byte of the text, counted from 1.
    pub(crate) fn line(&self, offset: usize) -> usize {
        1 + self.0.partition_point(|end| *end < offset)
    }
}

fn line_of(text: &str, offset: usize) -> usize {
    1 + text.as_bytes()[..offset.min(text.len())].iter().filter(|b| **b == b'\n').count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measure;

    #[derive(serde::Deserialize, Debug)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code, reason = "only whether it can be read is tested")]
    struct File {
        limit: Measure,
    }

    #[derive(serde::Deserialize, Debug)]
    #[allow(dead_code, reason = "only whether it can be read is tested")]
    struct Every {
        word: Option<Word>,
        byte: Option<u8>,
        count: Option<u32>,
        rounds: Option<std::num::NonZeroU32>,
        size: Option<f64>,
        text: Option<String>,
        list: Option<Vec<String>>,
        pair: Option<(u32, u32)>,
        is: Option<bool>,
        table: Option<std::collections::BTreeMap<String, String>>,
        limit: Option<Box<Self>>,
    }

    #[derive(serde::Deserialize, Debug)]
    #[serde(rename_all = "lowercase")]
    enum Word {
        Next,
        Take,
    }

    /// Seen: "EOF while parsing an object at line 1 column 1", "invalid type: string \"x\", expected f64".
    #[test]
    fn mistakes_in_json_are_in_plain_words() {
        for (text, expected) in [
            ("{", "it ends before the object does, expected } at its end"),
            ("hello", "expected an object such as {\"do\":\"status\"}"),
            ("{\"size\":\"x\"}", "found \"x\", expected a number"),
            ("{\"text\":3}", "found 3, expected text in quotes"),
            ("{\"text\":{}}", "found an object, expected text in quotes"),
            ("{\"word\":\"dance\"}", "found \"dance\", expected \"next\" or \"take\""),
            ("{\"text\" 3}", "expected : between key and value"),
            ("{} {}", "found more behind the object, expected one object in a line"),
            ("{\"text\":\"a\",}", "found a comma without a value behind it"),
        ] {
            let error = serde_json::from_str::<Every>(text).unwrap_err();
            assert_eq!(json_mistake(&error), expected, "{text}: {error}");
        }
        let error = serde_json::from_str::<File>("{\"limits\":1}").unwrap_err();
        assert_eq!(json_mistake(&error), "unknown key `limits`, did you mean `limit`? expected `limit`");
    }

    /// Each message of serde and of the TOML parser that a slip brings about.
    #[test]
    fn mistakes_are_in_the_words_of_the_writer() {
        for (text, expected) in [
            ("word = \"dance\"", "found \"dance\", expected \"next\" or \"take\""),
            ("byte = 300", "found 300, expected a whole number from 0 to 255"),
            ("count = \"3\"", "found \"3\", expected a whole number, 0 or more"),
            ("count = -1", "found -1, expected a whole number, 0 or more"),
            ("count = 1.5", "found 1.5, expected a whole number, 0 or more"),
            ("rounds = 0", "found 0, expected a whole number, 1 or more"),
            ("size = true", "found true, expected a number"),
            ("text = { a = 1 }", "found keys in { } or a [part], expected text in quotes"),
            ("text = \"a\" \"b\"", "found more behind a value or [part], expected a new line, or # before a comment"),
            ("[table] x", "found more behind a value or [part], expected a new line, or # before a comment"),
            ("text = 'abc", "expected a single quote at the end of the text"),
            ("te xt = 1", "found a key without a value, expected `=` and a value"),
            ("= 1", "expected a key before `=`"),
            ("text = 3", "found 3, expected text in quotes"),
            ("text = [\"a\"]", "found a list, expected text in quotes"),
            ("list = \"a, expected b\"", "found \"a, expected b\", expected a list in [ ]"),
            ("pair = [1]", "found a list of length 1, expected a list of 2 values"),
            ("is = \"yes\"", "found \"yes\", expected true or false"),
            ("table = 1", "found 1, expected a table of keys"),
            ("limit = 1", "found 1, expected a table of keys"),
            ("text = \"C:\\port\"", "found a lone \\ in \"…\", expected \\\\ or the text in '…'"),
            ("text = abc", "expected a value: text in quotes or a number"),
            ("text = \"abc", "expected a quote at the end of the text"),
            ("text", "found a key without a value, expected `=` and a value"),
            ("text =", "expected a value: text in quotes or a number"),
            ("list = [\"a\" \"b\"]", "expected a comma between the values of a list"),
            ("list = [\"a\"", "expected ] at the end of a list"),
            ("limit = { text = \"a\"", "expected } at the end of { }"),
            ("[limit", "expected ] behind the name of a part"),
            (
                "text = \"a\"\ntext = \"b\"",
                "found the same key or [part] twice; a part that repeats is written [[part]]",
            ),
            ("[list]\ntext = \"a\"", "found one [part], expected [[part]] in double brackets, since it may repeat"),
        ] {
            assert_eq!(parse_toml::<Every>("p.toml", text).unwrap_err().message, expected, "{text}");
        }
        let missing = parse_toml::<File>("p.toml", "").unwrap_err();
        assert_eq!(missing.message, "missing key `limit`");
    }

    #[test]
    fn lines_are_found_as_by_counting() {
        let text = "a\n\nb c\nd";
        let lines = LineNumbers::of(text);
        for offset in 0..=text.len() {
            assert_eq!(lines.line(offset), line_of(text, offset), "{offset}");
        }
    }

    #[test]
    fn the_line_of_a_wrong_value_is_named() {
        let mistake = parse_toml::<File>("p.toml", "# a\n\nlimit = \"11.8\"\n").unwrap_err();
        assert_eq!(
            mistake.to_string(),
            "p.toml, line 3: found \"11.8\", expected a number and a unit, such as \"11.8 V\", \"3 Hz\" or \"63 °C\""
        );
    }

    #[test]
    fn the_line_of_a_wrong_key_is_named() {
        let mistake = parse_toml::<File>("p.toml", "limit = \"1 V\"\nlimits = 3\n").unwrap_err();
        assert_eq!(
            (mistake.line, &mistake.message[..]),
            (2, "unknown key `limits`, did you mean `limit`? expected `limit`")
        );
        assert!(mistake.message.contains("`limits`") && mistake.message.contains("`limit`"), "{mistake}");
    }
}
