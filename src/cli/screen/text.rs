//! Texts in a number of columns.

use ratatui::text::Line;

/// The columns that a text takes.
pub(super) fn width(text: &str) -> usize {
    Line::raw(text).width()
}

/// A text cut to so many columns, with an ellipsis where something is missing.
pub(super) fn cut(text: &str, columns: usize) -> String {
    if width(text) <= columns {
        return text.to_owned();
    }
    let mut shown = String::new();
    for character in text.chars() {
        shown.push(character);
        if width(&shown) >= columns {
            shown.pop();
            break;
        }
    }
    if columns == 0 { String::new() } else { format!("{}…", shown.trim_end()) }
}

/// A text in lines of so many columns; a word that is longer is cut. At most so many lines, the last one with an ellipsis where
/// something is missing.
pub(super) fn wrap(text: &str, columns: usize, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width(line) + 1 + width(word) <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(cut(word, columns)),
        }
    }
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            *last = cut(&format!("{last} …"), columns);
        }
    }
    lines
}

/// Two texts at both ends of a line; the left one is cut where there is no room for both.
pub(super) fn apart(left: &str, right: &str, columns: usize) -> String {
    let right = cut(right, columns / 2);
    let room = columns.saturating_sub(width(&right) + usize::from(!right.is_empty()));
    let left = cut(left, room);
    let gap = columns.saturating_sub(width(&left) + width(&right));
    format!("{left}{}{right}", " ".repeat(gap))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_keep_to_their_columns() {
        assert_eq!(wrap("red lead on the lift feed pin", 12, 9), ["red lead on", "the lift", "feed pin"]);
        assert_eq!(wrap("red lead on the lift feed pin", 12, 2), ["red lead on", "the lift …"]);
        assert_eq!(wrap("electroplating", 6, 9), ["elect…"]);
        assert_eq!(wrap("", 10, 3), [] as [&str; 0]);
        assert_eq!(cut("ground drop", 7), "ground…");
        assert_eq!(cut("ground", 6), "ground");
        assert_eq!(apart("loader 7", "3 of 3", 20), "loader 7      3 of 3");
        assert_eq!(width(&apart("a very long name of a machine", "3 of 3", 20)), 20);
    }
}
