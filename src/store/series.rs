//! The files of one archive: `bayline.db`, and `bayline-2.db` and so on where recording had to go on in a new file.

use std::{
    fs,
    path::{Path, PathBuf},
};

const STEM: &str = "bayline";

/// The databases in a folder, in the order in which they were begun.
pub(super) fn databases(folder: &Path) -> Vec<PathBuf> {
    numbers(folder, |rest| rest == ".db").into_iter().map(|number| folder.join(name(number))).collect()
}

/// The file in which recording goes on where this one can't be used any more: the first number that nothing has.
pub(super) fn next_database(path: &Path) -> PathBuf {
    let folder = path.parent().unwrap_or(Path::new("."));
    let own = path.file_name().and_then(|name| number_of(name.to_str()?)).map_or(1, |(number, _)| number);
    // The log of a file that is gone is no reason to write into it.
    let taken = numbers(folder, |_| true).into_iter().max().unwrap_or(0);
    folder.join(name(own.max(taken) + 1))
}

fn name(number: u32) -> String {
    if number == 1 { format!("{STEM}.db") } else { format!("{STEM}-{number}.db") }
}

/// The numbers of the files whose names go on as wanted, each once, in order.
fn numbers(folder: &Path, wanted: impl Fn(&str) -> bool) -> Vec<u32> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut numbers: Vec<u32> =
        names.filter_map(|name| number_of(&name).filter(|(_, rest)| wanted(rest)).map(|(number, _)| number)).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers
}

/// The number in a name and what follows it: `bayline-2.db-wal` has 2 and `.db-wal`.
fn number_of(name: &str) -> Option<(u32, &str)> {
    let rest = name.strip_prefix(STEM)?;
    if rest.starts_with(".db") {
        return Some((1, rest));
    }
    let (number, rest) = rest.strip_prefix('-').and_then(|rest| rest.split_at_checked(rest.find(".db")?))?;
    let number = number.parse().ok().filter(|number| *number > 1)?;
    Some((number, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_numbered_in_the_order_of_their_use() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        assert_eq!((databases(folder.path()), next_database(&at("bayline.db"))), (vec![], at("bayline-2.db")));
        for name in ["bayline.db", "bayline-10.db", "bayline-2.db", "bayline.db.version-3", "bayline-x.db", "other.db"]
        {
            fs::write(at(name), "").unwrap();
        }
        assert_eq!(databases(folder.path()), ["bayline.db", "bayline-2.db", "bayline-10.db"].map(at));
        assert_eq!(next_database(&at("bayline-2.db")), at("bayline-11.db"));
        fs::write(at("bayline-11.db-wal"), "").unwrap();
        assert_eq!(next_database(&at("bayline-2.db")), at("bayline-12.db"));
    }
}
