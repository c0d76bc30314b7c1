//! Text that came from outside, sanitized for a terminal, a log or a sheet: meters, files, notes and names may hold
//! escape sequences, bells, line feeds and marks that turn the direction of writing.

use std::borrow::Cow;

use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;

/// The text with every character that steers instead of being shown written out: `\n`, `\u{1b}`, `\u{202e}`.
pub(crate) fn sanitized(text: &str) -> Cow<'_, str> {
    if !text.contains(steers) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 8);
    for character in text.chars() {
        match steers(character) {
            true => shown.extend(character.escape_default()),
            false => shown.push(character),
        }
    }
    Cow::Owned(shown)
}

/// Control characters; separators of lines and paragraphs; marks of direction (Unicode Standard Annex 9: implicit marks,
/// embeddings, overrides and isolates); annotations and tags, which are not shown at all.
fn steers(character: char) -> bool {
    character.is_control()
        || matches!(
            character,
            '\u{61c}'
                | '\u{200e}'
                | '\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2066}'..='\u{2069}'
                | '\u{fff9}'..='\u{fffb}'
                | '\u{e0000}'..='\u{e007f}'
        )
}

/// A record with all its texts sanitized.
pub(crate) fn sanitized_record<T: Serialize + DeserializeOwned>(record: &T) -> serde_json::Result<T> {
    let mut value = serde_json::to_value(record)?;
    sanitize_texts(&mut value);
    serde_json::from_value(value)
}

fn sanitize_texts(value: &mut Value) {
    match value {
        Value::String(text) => {
            if let Cow::Owned(shown) = sanitized(text) {
                *text = shown;
            }
        }
        Value::Array(values) => values.iter_mut().for_each(sanitize_texts),
        Value::Object(fields) => fields.values_mut().for_each(sanitize_texts),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_steers_a_terminal_is_written_out() {
        for (text, shown) in [
            ("lift coil, 7.5 ohm ± 8 %", "lift coil, 7.5 ohm ± 8 %"),
            ("Bremse gelöst 油圧 🙂", "Bremse gelöst 油圧 🙂"),
            ("\u{1b}[2Jgone", "\\u{1b}[2Jgone"),
            ("ring\u{7}", "ring\\u{7}"),
            ("one\r\ntwo\tthree", "one\\r\\ntwo\\tthree"),
            ("\u{9b}31m", "\\u{9b}31m"),
            ("in limit\u{202e}timil fo tuo", "in limit\\u{202e}timil fo tuo"),
            ("a\u{2028}b\u{2066}c", "a\\u{2028}b\\u{2066}c"),
        ] {
            assert_eq!(sanitized(text), shown);
        }
    }

    #[test]
    fn all_texts_of_a_record_are() {
        let record = serde_json::json!({ "a": "x\u{1b}", "b": ["y\u{7}", 1.5, null], "c": { "d": true } });
        let shown = serde_json::json!({ "a": "x\\u{1b}", "b": ["y\\u{7}", 1.5, null], "c": { "d": true } });
        assert_eq!(sanitized_record(&record).unwrap(), shown);
    }
}
