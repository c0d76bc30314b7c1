//! How long the texts are that people write: names some lines, sentences a page. Longer ones are files.

/// The longest note, mark, complaint or instruction, in characters: a page.
pub(crate) const LONGEST_TEXT: usize = 4000;

/// The longest name of a step, circuit, machine or job, in characters: some lines.
pub(crate) const LONGEST_NAME: usize = 400;

/// A text that is longer than what is kept of its kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the {what} has {found} characters, {most} at most are kept; shorten it")]
pub struct TooLong {
    /// What it is.
    pub what: &'static str,
    /// Its characters.
    pub found: usize,
    /// How many are kept.
    pub most: usize,
}

/// One of the two checks: what the text is, and the text.
pub(crate) type LengthCheck = fn(&'static str, &str) -> Result<(), TooLong>;

/// Refuses a name that is none.
pub(crate) fn check_name(what: &'static str, name: &str) -> Result<(), TooLong> {
    check(what, name, LONGEST_NAME)
}

/// Refuses a text that is longer than a page.
pub(crate) fn check_text(what: &'static str, text: &str) -> Result<(), TooLong> {
    check(what, text, LONGEST_TEXT)
}

fn check(what: &'static str, text: &str, most: usize) -> Result<(), TooLong> {
    match text.chars().count() {
        found if found > most => Err(TooLong { what, found, most }),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_count_not_bytes() {
        assert_eq!(check_name("step", &"Ω".repeat(LONGEST_NAME)), Ok(()));
        let long = check_name("step", &"Ω".repeat(LONGEST_NAME + 1)).unwrap_err();
        assert_eq!(long.to_string(), "the step has 401 characters, 400 at most are kept; shorten it");
        assert_eq!(check_text("note", &"x".repeat(LONGEST_TEXT)), Ok(()));
        assert!(check_text("note", &"x".repeat(LONGEST_TEXT + 1)).is_err());
    }
}
