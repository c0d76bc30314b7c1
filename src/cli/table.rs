//! Plain tables: aligned columns without lines.

use comfy_table::{CellAlignment, Table, presets::NOTHING};

/// A table with these titles; columns named in `right` are aligned to the right.
pub(super) fn table(titles: &[&str], right: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_style(NOTHING).set_header(titles.iter().copied());
    for row in rows {
        table.add_row(row);
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
}
