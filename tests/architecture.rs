//! Proves that the source keeps to the rules of DEVELOPERS.md: who may know what. Reads `src/`, and
//! names file and line of whatever does not.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

/// One line of code, without its comment.
struct Line {
    file: String,
    number: usize,
    text: String,
}

impl Line {
    fn place(&self) -> String {
        format!("{}, line {}: {}", self.file, self.number, self.text.trim())
    }

    /// The words of the line: what an identifier can be.
    fn words(&self) -> impl Iterator<Item = &str> {
        self.text.split(|character: char| !character.is_alphanumeric() && character != '_')
    }

    fn has_word(&self, words: &[&str]) -> bool {
        self.words().any(|word| words.contains(&word))
    }
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust files below a folder of the package, by their path in it.
fn files(folder: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path.strip_prefix(root()).unwrap().to_str().unwrap().to_owned());
            }
        }
    }
    found.sort();
    found
}

/// The code of `src/`, without comments and without what is compiled for tests only.
fn code() -> Vec<Line> {
    let (mut lines, mut for_tests) = (Vec::new(), BTreeSet::new());
    for file in files("src") {
        let text = fs::read_to_string(root().join(&file)).unwrap();
        let mut numbered = (1..).zip(text.lines()).peekable();
        while let Some((number, line)) = numbered.next() {
            if line.trim() == "#[cfg(test)]" {
                let mut next = || numbered.next().map_or("", |(_, next)| next.trim());
                let mut item = next();
                let path = item.strip_prefix("#[path = \"").and_then(|rest| rest.strip_suffix("\"]"));
                if path.is_some() {
                    item = next();
                }
                let module = item.split_once("mod ").map(|(_, rest)| rest);
                match module.map(|rest| rest.strip_suffix(';')) {
                    Some(Some(name)) => _ = for_tests.insert(module_file(&file, name, path)),
                    // A module of tests stands at the end of a file.
                    Some(None) => break,
                    // A function or import that tests need.
                    None => {}
                }
                continue;
            }
            lines.push(Line { file: file.clone(), number, text: without_comment(line).to_owned() });
        }
    }
    lines.retain(|line| !for_tests.iter().any(|tests| is_within(&line.file, tests)));
    lines
}

/// The file of a module, or one of the modules below it.
fn is_within(file: &str, module: &str) -> bool {
    let folder = module.strip_suffix(".rs").unwrap();
    file.strip_prefix(folder).is_some_and(|rest| rest == ".rs" || rest.starts_with('/'))
}

/// Where `mod name;` in a file finds its code, where a path may have been given.
fn module_file(file: &str, name: &str, path: Option<&str>) -> String {
    let (folder, own) = file.rsplit_once('/').unwrap();
    match (path, own) {
        (Some(path), _) => format!("{folder}/{path}"),
        (None, "mod.rs") => format!("{folder}/{name}.rs"),
        (None, own) => format!("{folder}/{}/{name}.rs", own.strip_suffix(".rs").unwrap()),
    }
}

/// `tcp://` is no comment: one has a blank before it, or nothing.
fn without_comment(line: &str) -> &str {
    if line.trim_start().starts_with("//") {
        return "";
    }
    line.find(" //").map_or(line, |at| &line[..at])
}

/// Fails with the place of every line outside of `allowed` that breaks a rule.
fn nowhere_but(allowed: &[&str], rule: &str, breaks: impl Fn(&Line) -> bool) {
    let code = code();
    let outside = code.iter().filter(|line| !allowed.iter().any(|place| line.file.starts_with(place)));
    let broken: Vec<String> = outside.filter(|line| breaks(line)).map(Line::place).collect();
    assert!(broken.is_empty(), "{rule}:\n{}", broken.join("\n"));
    // A rule that nothing could break would prove nothing.
    assert!(allowed.is_empty() || code.iter().any(breaks), "{rule}: not even where it is allowed");
}

#[test]
fn only_the_store_knows_sql() {
    nowhere_but(&["src/store/"], "SQL lives in store/ alone", |line| {
        let starts = ["SELECT ", "INSERT INTO ", "UPDATE ", "DELETE FROM ", "CREATE ", "PRAGMA ", "BEGIN IMMEDIATE"];
        starts.iter().any(|start| line.text.contains(start))
    });
    let calls = ["prepare", "prepare_cached", "query_row", "query_map", "execute_batch", "pragma_update"];
    nowhere_but(&["src/store/"], "the database is asked in store/ alone", |line| line.has_word(&calls));
    // A connection may be handed through by those who judge again, export and show.
    let hands = ["src/store/", "src/judging/", "src/drive/", "src/export/", "src/report/", "src/cli/"];
    nowhere_but(
        &hands,
        "SQLite is known to store/, and its connection to judging/, drive/, export/ and cli/",
        |line| line.has_word(&["rusqlite"]),
    );
}

#[test]
fn only_commands_write_to_the_terminal() {
    nowhere_but(&["src/cli/"], "terminal output lives in cli/ alone", |line| {
        ["stdout()", "stderr()"].iter().any(|word| line.text.contains(word))
    });
    nowhere_but(&[], "the printing macros panic where nobody reads any more: use writeln!", |line| {
        ["println!", "eprintln!", "print!", "eprint!", "dbg!"].iter().any(|word| line.text.contains(word))
    });
}

#[test]
fn only_the_clock_reads_clocks() {
    let allowed = ["src/clock.rs", "src/demo/bench.rs"];
    nowhere_but(&allowed, "clocks are read by the clock, and by simulated devices", |line| {
        line.has_word(&["Instant", "SystemTime"])
    });
}

#[test]
fn the_core_does_no_io() {
    let words = ["fs", "net", "tokio", "rusqlite", "Instant", "SystemTime", "thread", "process", "env"];
    let code = code();
    let core = || code.iter().filter(|line| line.file.starts_with("src/session/"));
    assert!(core().count() > 500, "the core was not found");
    let broken: Vec<String> = core().filter(|line| line.has_word(&words)).map(Line::place).collect();
    assert!(broken.is_empty(), "the session core does no I/O and reads no clock:\n{}", broken.join("\n"));
}

#[test]
fn stages_know_only_the_stages_before_them() {
    let code = code();
    let order: Vec<&str> = code
        .iter()
        .filter(|line| line.file == "src/lib.rs")
        .filter_map(|line| line.text.trim_start_matches("pub ").strip_prefix("mod ")?.strip_suffix(';'))
        .collect();
    assert!(order.len() > 10 && order.contains(&"session"), "the stages stand in src/lib.rs: {order:?}");
    let place = |stage: &str| order.iter().position(|other| *other == stage);
    let mut broken = Vec::new();
    for file in code.iter().map(|line| &line.file).collect::<BTreeSet<_>>() {
        let stage = file.trim_start_matches("src/").split(['/', '.']).next().unwrap();
        let Some(own) = place(stage) else { continue };
        let text: String = code.iter().filter(|line| line.file == *file).map(|line| line.text.clone() + "\n").collect();
        for used in used_stages(&text) {
            match place(&used) {
                Some(other) if other <= own => {}
                _ => broken.push(format!("{file}: {stage} uses {used}, which comes after it")),
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

/// The names behind `crate::`, those in braces as well.
fn used_stages(text: &str) -> BTreeSet<String> {
    let mut stages = BTreeSet::new();
    for (at, found) in text.match_indices("crate::") {
        let rest = &text[at + found.len()..];
        let name = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
        if !rest.starts_with('{') {
            stages.insert(name(rest));
            continue;
        }
        let mut depth = 0;
        for (index, character) in rest.char_indices() {
            match character {
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            if depth == 0 {
                break;
            }
            if depth == 1 && matches!(character, '{' | ',') {
                stages.insert(name(rest[index + 1..].trim_start()));
            }
        }
    }
    stages.remove("");
    stages
}

#[test]
fn braces_behind_crate_are_read() {
    let used = used_stages("use crate::{\n    clock::{Mono, Wall},\n    units::Limit,\n};\nuse crate::store;\n");
    assert_eq!(used.iter().map(String::as_str).collect::<Vec<_>>(), ["clock", "store", "units"]);
}

#[test]
fn physics_depends_on_nothing_of_ours() {
    let code = code();
    let physics = code.iter().filter(|line| line.file.starts_with("src/electrics/"));
    let broken: Vec<String> = physics
        .filter(|line| {
            let root = line.file == "src/electrics/mod.rs" && line.text.contains("super::");
            let others = used_stages(&line.text).iter().any(|stage| stage != "electrics");
            root || others || line.text.contains("super::super")
        })
        .map(Line::place)
        .collect();
    assert!(broken.is_empty(), "electrics/ depends on nothing of ours:\n{}", broken.join("\n"));
}

#[test]
fn nothing_is_unwrapped_and_what_is_unsafe_stands_apart() {
    nowhere_but(&[], "no unwrap outside tests: `expect` says why it holds", |line| line.text.contains(".unwrap()"));
    let calls = ["src/port/ioctl.rs", "src/store/system_errno.rs"];
    nowhere_but(&calls, "calls that nobody wraps live in a file of their own, one in a stage", |line| {
        line.has_word(&["unsafe"])
    });
}

#[test]
fn every_file_says_what_it_is() {
    for file in files("src").into_iter().chain(files("tests")) {
        let text = fs::read_to_string(root().join(&file)).unwrap();
        assert!(text.starts_with("//! "), "{file} does not open with `//!`");
    }
    let schema = fs::read_to_string(root().join("src/store/schema.sql")).unwrap();
    assert!(schema.starts_with("-- "), "the schema does not open with a comment");
}

#[test]
fn every_column_of_the_schema_is_explained() {
    let schema = fs::read_to_string(root().join("src/store/schema.sql")).unwrap();
    let mut columns = 0;
    for (number, line) in (1..).zip(schema.lines()) {
        let is_column =
            [" INTEGER", " TEXT", " REAL"].iter().any(|kind| line.contains(kind)) && line.starts_with("    ");
        if is_column && !line.trim_start().starts_with("--") {
            assert!(line.contains("-- "), "src/store/schema.sql, line {number} says nothing of its column");
            columns += 1;
        }
    }
    assert!(columns > 50, "{columns}");
}

/// Names of types that the code of `src/` declares, each with its places. Associated types are left out.
fn declared_types() -> BTreeMap<String, Vec<String>> {
    let mut types: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for line in code() {
        if let Some(name) = declared_type(&line.text) {
            types.entry(name.to_owned()).or_default().push(format!("{}, line {}", line.file, line.number));
        }
    }
    types
}

/// The type that a line declares.
fn declared_type(line: &str) -> Option<&str> {
    // A macro gives the name.
    if line.contains('$') {
        return None;
    }
    let mut words = line.trim_start().split(|character: char| !character.is_alphanumeric() && character != '_');
    let mut word = words.next()?;
    if word == "pub" {
        // `pub(crate)`, `pub(in path)`: the keyword follows.
        word = words.find(|word| ["struct", "enum", "trait", "union", "type"].contains(word))?;
    }
    // An indented `type` is an associated one, as `Err` and `Item` are.
    let is_alias = word == "type" && !line.starts_with(' ');
    if is_alias || ["struct", "enum", "trait", "union"].contains(&word) { words.next() } else { None }
}

#[test]
fn declared_types_are_found() {
    for (line, name) in [
        ("pub(crate) struct Sample {", Some("Sample")),
        ("pub(in crate::store) enum Row {", Some("Row")),
        ("    enum State {", Some("State")),
        ("type Values = Vec<f64>;", Some("Values")),
        ("    type Err = String;", None),
        ("let structure = 1;", None),
        ("pub fn structure() {", None),
    ] {
        assert_eq!(declared_type(line), name, "{line}");
    }
}

#[test]
fn every_type_has_a_name_of_its_own() {
    let twice: Vec<String> = declared_types()
        .into_iter()
        .filter(|(_, places)| places.len() > 1)
        .map(|(name, places)| format!("{name}: {}", places.join("; ")))
        .collect();
    assert!(twice.is_empty(), "one name is for one type:\n{}", twice.join("\n"));
}

#[test]
fn every_type_of_the_glossary_is_declared() {
    let page = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let (_, glossary) = page.split_once("\n## Glossary\n").expect("DEVELOPERS.md has a glossary");
    let glossary = glossary.split("\n## ").next().unwrap();
    let types = declared_types();
    // A row: the word, what it means, its types in backticks.
    let rows = glossary.lines().filter(|line| line.starts_with("| ") && !line.starts_with("| word"));
    let mut named = 0;
    for row in rows.filter(|row| !row.starts_with("| ---")) {
        let cells: Vec<&str> = row.trim_matches('|').split(" | ").map(str::trim).collect();
        let [_, meaning, held] = cells[..] else { panic!("three cells make a row of the glossary: {row}") };
        assert!(meaning.len() > 10, "{row}");
        for name in held.split('`').skip(1).step_by(2) {
            assert!(types.contains_key(name), "the glossary names {name}, which no file of src/ declares: {row}");
            named += 1;
        }
    }
    assert!(named > 30, "{named}");
}

#[test]
fn the_paths_that_the_pages_name_exist() {
    for page in ["README.md", "DEVELOPERS.md"].map(|name| root().join(name)) {
        let Ok(text) = fs::read_to_string(&page) else { continue };
        for (number, line) in (1..).zip(text.lines()) {
            for path in paths(line) {
                let named = format!("{}, line {number} names {}", page.display(), path.display());
                assert!(root().join(&path).exists(), "{named}, which does not exist");
            }
        }
    }
}

/// What a line of a page names that can only be a path of the package.
fn paths(line: &str) -> Vec<PathBuf> {
    const TOPS: [&str; 5] = ["src/", "tests/", "protocols/", "contrib/", ".ci/"];
    let parts = line.split(|c: char| c.is_whitespace() || "`()[]<>\",;*'".contains(c));
    let trimmed = parts.map(|part| part.trim_end_matches(['.', ':']));
    trimmed.filter(|part| TOPS.iter().any(|top| part.starts_with(top))).map(PathBuf::from).collect()
}

#[test]
fn paths_in_a_page_are_found() {
    let line = "See `src/store/schema.sql`, [the tests](tests/whole/main.rs) and protocols/.";
    let expected = ["src/store/schema.sql", "tests/whole/main.rs", "protocols/"].map(PathBuf::from);
    assert_eq!(paths(line), expected);
}
