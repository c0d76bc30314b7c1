//! The words of a command line, split without a shell: nothing is expanded, nothing is run.
//!
//! The crate `shlex` reads `#` as the beginning of a comment and leaves out the rest of the line; here an argument such as
//! `#1` is kept.

/// Why a text can't be split.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CommandLineError {
    /// A quote is not closed.
    OpenQuote(char),
    /// A backslash stands at the very end.
    LoneBackslash,
}

/// Splits a text at its spaces. Quotes keep spaces together; a backslash takes the next character as
/// it is, but for single quotes, where everything is as it is.
pub(super) fn split(text: &str) -> Result<Vec<String>, CommandLineError> {
    let mut words = Vec::new();
    let mut word: Option<String> = None;
    let mut characters = text.chars();
    while let Some(character) = characters.next() {
        match character {
            '\'' | '"' => {
                let word = word.get_or_insert_default();
                loop {
                    match characters.next().ok_or(CommandLineError::OpenQuote(character))? {
                        end if end == character => break,
                        '\\' if character == '"' => {
                            word.push(characters.next().ok_or(CommandLineError::OpenQuote(character))?);
                        }
                        inner => word.push(inner),
                    }
                }
            }
            '\\' => word.get_or_insert_default().push(characters.next().ok_or(CommandLineError::LoneBackslash)?),
            space if space.is_whitespace() => words.extend(word.take()),
            plain => word.get_or_insert_default().push(plain),
        }
    }
    words.extend(word);
    Ok(words)
}

/// A word written so that [`split`] gives it back.
pub(super) fn quoted(word: &str) -> String {
    let needs = |character: char| character.is_whitespace() || matches!(character, '\'' | '"' | '\\');
    if word.is_empty() {
        "''".to_owned()
    } else if !word.contains(needs) {
        word.to_owned()
    } else if !word.contains('\'') {
        format!("'{word}'")
    } else {
        format!("\"{}\"", word.replace('\\', "\\\\").replace('"', "\\\""))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn check(text: &str, words: &[&str]) {
        assert_eq!(split(text).unwrap(), words, "{text}");
    }

    #[test]
    fn quotes_keep_spaces_together() {
        check("read-meter --every 2", &["read-meter", "--every", "2"]);
        check("  a\tb  ", &["a", "b"]);
        check("'my tool' \"clamp \\\"A\\\"\" it\\'s x''", &["my tool", "clamp \"A\"", "it's", "x"]);
        check("''", &[""]);
        check("", &[]);
        check("read-meter #1", &["read-meter", "#1"]);
    }

    #[test]
    fn a_shell_s_signs_are_letters_like_others() {
        check("a;b $HOME *.txt >x `id`", &["a;b", "$HOME", "*.txt", ">x", "`id`"]);
    }

    #[test]
    fn what_is_not_closed_is_refused() {
        assert_eq!(split("a 'b"), Err(CommandLineError::OpenQuote('\'')));
        assert_eq!(split("a \"b\\\""), Err(CommandLineError::OpenQuote('"')));
        assert_eq!(split("a\\"), Err(CommandLineError::LoneBackslash));
    }

    proptest! {
        #[test]
        fn words_come_back_as_they_were(words in prop::collection::vec(any::<String>(), 0..6)) {
            let text = words.iter().map(|word| quoted(word)).collect::<Vec<_>>().join(" ");
            prop_assert_eq!(split(&text), Ok(words));
        }
    }
}
