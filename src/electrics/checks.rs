//! Helpers of the tests in this folder: closeness, and the tables under `tests/data/`.

/// Fails unless `found` is within `tolerance` of `expected`.
#[track_caller]
pub(crate) fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected} ± {tolerance}");
}

/// Rows of a comma-separated table with one heading line; lines beginning with `#` are remarks.
pub(crate) fn rows(table: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    let mut lines = table.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    lines.next().expect("a table has a heading");
    lines.map(|line| line.split(',').collect())
}

/// A cell as a number.
#[track_caller]
pub(crate) fn number(cell: &str) -> f64 {
    cell.parse().unwrap_or_else(|_| panic!("{cell:?} in a table is no number"))
}
