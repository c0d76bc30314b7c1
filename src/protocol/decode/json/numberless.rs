//! Puts `NaN`, `Infinity` and the like of a line into quotes, so that a JSON parser takes them.

/// What boards send in place of a number.
const WORDS: [&str; 6] = ["NaN", "nan", "NAN", "Infinity", "inf", "Inf"];

/// Writes the line anew; false where it has no such word outside of text.
pub(super) fn quote(line: &str, into: &mut String) -> bool {
    into.clear();
    let (mut rest, mut found, mut in_text) = (line, false, false);
    while let Some(first) = rest.chars().next() {
        let word = WORDS.iter().find(|word| !in_text && is_value(into, rest, word));
        if let Some(word) = word {
            found = true;
            // The minus before it would be no JSON.
            if into.ends_with('-') {
                into.pop();
            }
            into.extend(["\"", word, "\""]);
            rest = &rest[word.len()..];
            continue;
        }
        let taken =
            if in_text && first == '\\' { rest.chars().take(2).map(char::len_utf8).sum() } else { first.len_utf8() };
        in_text ^= first == '"';
        into.push_str(&rest[..taken]);
        rest = &rest[taken..];
    }
    found
}

/// Whether the rest of a line begins with this word as a value of its own.
fn is_value(before: &str, rest: &str, word: &str) -> bool {
    let begins = before.trim_end_matches('-').trim_end().ends_with([':', ',', '[']);
    let behind = rest.strip_prefix(word).map(str::trim_start);
    begins && behind.is_some_and(|behind| behind.starts_with([',', ']', '}']))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_in_text_stay() {
        let mut line = String::new();
        assert!(quote(r#"{"a": NaN, "b": [-inf,1], "c": "x\\", "NaN": "a, NaN, b"}"#, &mut line));
        assert_eq!(line, r#"{"a": "NaN", "b": ["inf",1], "c": "x\\", "NaN": "a, NaN, b"}"#);
        assert!(!quote(r#"{"a": 1, "b": NaNo}"#, &mut line));
    }
}
