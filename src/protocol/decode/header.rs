//! A line of words that name the columns below it.

use super::Separator;
use crate::protocol::{
    names::{LONGEST_NAME, MOST_NAMES},
    number::{NumberReader, is_no_number},
};

/// The names on a line, where it is one of names alone.
pub(super) fn column_names(separator: &Separator, line: &str, number_reader: &mut NumberReader) -> Option<Vec<String>> {
    // Whether it is a line of names is known before any memory is taken for names.
    let mut named = false;
    let are_names = cells(separator, line).all(|cell| {
        named |= !cell.is_empty();
        cell.is_empty() || is_name(cell) && !number_reader.is_overload(cell)
    });
    if !are_names || !named {
        return None;
    }
    let mut names: Vec<String> = cells(separator, line).map(str::to_owned).collect();
    if names.last().is_some_and(String::is_empty) {
        names.pop();
    }
    let differ = names.iter().enumerate().all(|(at, name)| name.is_empty() || !names[..at].contains(name));
    (differ && names.len() <= MOST_NAMES).then_some(names)
}

/// The cells of a line of words, without quotes and spaces around them.
fn cells<'a>(separator: &'a Separator, line: &'a str) -> impl Iterator<Item = &'a str> {
    let by_sign = line.contains([',', ';', '\t']);
    let mut rest = Some(line);
    std::iter::from_fn(move || {
        let text = if by_sign { rest? } else { rest?.trim_ascii_start() };
        let found = match separator {
            Separator::Text(separator) => {
                memchr::memmem::find(text.as_bytes(), separator).map(|at| (at, separator.len()))
            }
            Separator::Any if by_sign => text.find([',', ';', '\t']).map(|at| (at, 1)),
            Separator::Any => text.find(|c: char| c.is_ascii_whitespace()).map(|at| (at, 1)),
        };
        let (cell, behind) = found.map_or((text, None), |(at, length)| (&text[..at], Some(&text[at + length..])));
        rest = behind;
        Some(cell.trim().trim_matches('"').trim())
    })
}

/// Whether a cell may name a column.
fn is_name(cell: &str) -> bool {
    cell.starts_with(|c: char| c.is_alphabetic() || c == '_')
        && cell.len() <= LONGEST_NAME
        && !cell.contains(char::is_control)
        && !is_no_number(cell)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(line: &str) -> Option<Vec<String>> {
        column_names(&Separator::Any, line, &mut NumberReader::new(vec!["OL".to_owned()].into()))
    }

    #[test]
    fn names_are_distinguished_from_values() {
        for (line, expected) in [
            ("lift coil, \"spool\";,x,", vec!["lift coil", "spool", "", "x"]),
            (" lift  spool", vec!["lift", "spool"]),
            ("lift", vec!["lift"]),
        ] {
            assert_eq!(read(line), Some(expected.into_iter().map(str::to_owned).collect()), "{line}");
        }
        for line in ["lift,1", "OL,OL", "nan", ",,", "lift,lift", "7up", ""] {
            assert_eq!(read(line), None, "{line}");
        }
    }
}
