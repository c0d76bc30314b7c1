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

/// A column of a table: its title, and the side to which it is aligned.
#[derive(Debug, Clone, Copy)]
pub(super) struct TableColumn {
    title: &'static str,
    alignment: CellAlignment,
}

/// A column of words.
pub(super) const fn left(title: &'static str) -> TableColumn {
    TableColumn { title, alignment: CellAlignment::Left }
}

/// A column of numbers.
pub(super) const fn right(title: &'static str) -> TableColumn {
    TableColumn { title, alignment: CellAlignment::Right }
}

/// A table with these columns, its texts sanitized; a row has a cell for each column, or it does not compile.
pub(super) fn table<const N: usize>(columns: [TableColumn; N], rows: impl IntoIterator<Item = [String; N]>) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_header(columns.map(|column| column.title));
    for row in rows {
        let cell = |(index, text): (usize, String)| {
            shortened(&sanitized(&text), if index + 1 == N { None } else { Some(WIDEST) })
        };
        table.add_row(row.into_iter().enumerate().map(cell).collect::<Vec<_>>());
    }
    for (shown, column) in table.column_iter_mut().zip(columns) {
        // Two blanks between columns.
        shown.set_padding((0, 2)).set_cell_alignment(column.alignment);
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
        let text =
            table([left("step"), right("value")], [["feed", "12.41 V"], ["x", "9 V"]].map(|row| row.map(String::from)));
        assert_eq!(text, "step    value\nfeed  12.41 V\nx         9 V\n");
    }

    #[test]
    fn long_and_hostile_names_break_no_table() {
        let long = "n".repeat(300);
        let rows = [[long.clone(), "1 V".into()], ["a\nb\u{1b}[2J\u{202e}".into(), long.clone()]];
        let text = table([left("step"), left("why")], rows);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        assert!(lines[1].starts_with(&"n".repeat(59)) && lines[1].ends_with("…  1 V"), "{text}");
        assert!(lines[2].starts_with("a\\nb\\u{1b}[2J\\u{202e} ") && lines[2].ends_with(&long), "{text}");
    }
}
