//! Plain tables: aligned columns without lines.

use comfy_table::{CellAlignment, Table, presets::NOTHING};

use crate::sanitize::sanitized;

/// What does not fit into this many characters is cut, apart from the last column, which pushes nothing aside.
const WIDEST: usize = 60;

/// A text of so many characters at most; what is cut is shown by an ellipsis.
fn shortened(text: &str, most: Option<usize>) -> String {
    match most {
        Some(most) if text.chars().count() > most => text.chars().take(most - 1).chain(['…']).collect(),
        _ => text.to_owned(),
    }
}

/// A table with these titles, its texts sanitized; columns named in `right` are aligned to the right.
pub(super) fn table(titles: &[&str], right: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_header(titles.iter().copied());
    for row in rows {
        let last = row.len().saturating_sub(1);
        let cell = |(index, text): (usize, String)| {
            shortened(&sanitized(&text), if index == last { None } else { Some(WIDEST) })
        };
        table.add_row(row.into_iter().enumerate().map(cell).collect::<Vec<_>>());
    }
    for (index, title) in titles.iter().enumerate() {
        if let Some(column) = table.column_mut(index) {
            // Two blanks between columns.
            column.set_padding((0, 2));
            if right.contains(title) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
    }
    let mut text: String = table.lines().map(|line| line.trim_end().to_owned() + "\n").collect();
    text.truncate(text.trim_end().len());
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let text = table(
            &["step", "value"],
            &["value"],
            [vec!["feed".into(), "12.41 V".into()], vec!["x".into(), "9 V".into()]],
        );
        assert_eq!(text, "step    value\nfeed  12.41 V\nx         9 V\n");
    }

    #[test]
    fn long_and_hostile_names_break_no_table() {
        let long = "n".repeat(300);
        let rows = [vec![long.clone(), "1 V".into()], vec!["a\nb\u{1b}[2J\u{202e}".into(), long.clone()]];
        let text = table(&["step", "why"], &[], rows);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        assert!(lines[1].starts_with(&"n".repeat(59)) && lines[1].ends_with("…  1 V"), "{text}");
        assert!(lines[2].starts_with("a\\nb\\u{1b}[2J\\u{202e} ") && lines[2].ends_with(&long), "{text}");
    }
}
