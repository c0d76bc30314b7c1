//! Prints, as one list to be read, what the program can say: the help texts of all commands, and the texts in the code
//! of `src/` that can be a part of a sentence. Proves that none of them uses the system's jargon or a word of our own.
//!
//! `cargo test --test sentences -- --ignored --nocapture` prints the list.

use std::{fs, path::Path, process::Command};

/// A text of the program and its place.
struct Text {
    place: String,
    words: String,
}

/// The texts in quotes that hold at least two words, outside of tests.
fn texts() -> Vec<Text> {
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    let mut texts = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.display().to_string();
            if path.is_dir() {
                folders.push(path);
            } else if name.ends_with(".rs") && !name.ends_with("tests.rs") && !name.contains("/tests/") {
                let source = fs::read_to_string(&path).unwrap();
                let code = source.split("#[cfg(test)]\nmod ").next().unwrap();
                texts.extend(quoted(code).into_iter().map(|(line, words)| Text {
                    place: format!("{}:{line}", name.rsplit_once("/src/").unwrap().1),
                    words,
                }));
            }
        }
    }
    texts.retain(|text| text.words.trim().contains(' ') && text.words.chars().any(char::is_alphabetic));
    texts.sort_by(|a, b| a.place.cmp(&b.place));
    texts
}

/// String literals with the lines where they begin, comments and attributes with `reason` left out.
fn quoted(code: &str) -> Vec<(usize, String)> {
    let (mut found, mut open, mut literal) = (Vec::new(), None, String::new());
    for (number, line) in (1..).zip(code.lines()) {
        let trimmed = line.trim_start();
        if open.is_none()
            && (trimmed.starts_with("//") || trimmed.contains("expect(\"") || trimmed.contains("reason ="))
        {
            continue;
        }
        // A continued literal goes on behind the blanks of the next line.
        let mut characters = if open.is_some() { trimmed } else { line }.chars().peekable();
        let mut previous = ' ';
        while let Some(character) = characters.next() {
            match (open, character) {
                (None, '"') if previous != '\'' => open = Some(number),
                (None, '/') if characters.peek() == Some(&'/') && previous == ' ' => break,
                (None, _) => {}
                (Some(_), '\\') => match characters.next() {
                    Some('n') => literal.push(' '),
                    Some(escaped) => literal.push(escaped),
                    None => {}
                },
                (Some(begun), '"') => {
                    found.push((begun, std::mem::take(&mut literal)));
                    open = None;
                }
                (Some(_), other) => literal.push(other),
            }
            previous = character;
        }
    }
    found
}

fn help(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_bayline")).args(arguments).arg("--help").output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

/// The commands with their subcommands.
fn commands() -> Vec<Vec<String>> {
    let names = |text: &str| -> Vec<String> {
        let Some((_, list)) = text.split_once("Commands:\n") else { return Vec::new() };
        let lines = list.lines().take_while(|line| !line.is_empty());
        let names = lines.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
        let names = names.filter_map(|line| line.split_whitespace().next());
        names.filter(|name| *name != "help").map(str::to_owned).collect()
    };
    let mut commands = Vec::new();
    for command in names(&help(&[])) {
        commands.extend(names(&help(&[&command])).into_iter().map(|sub| vec![command.clone(), sub]));
        commands.push(vec![command]);
    }
    commands
}

#[test]
fn no_sentence_uses_jargon() {
    // Of the system, of the parser's library, and words that only this code had.
    let jargon = [
        "os error",
        "Broken pipe",
        "No such file",
        "the disk refuses",
        "standing draw",
        "consumer",
        "sound coil",
        "sound parts",
        "ohm too many",
        "sum of squares",
        "deviations",
        "of itself",
        "1/min of",
        "reckon",
        "of its own accord",
        "planted",
    ];
    let mut texts = texts();
    assert!(texts.len() > 300, "{}", texts.len());
    // The one place that takes the system's jargon out.
    texts.retain(|text| !text.place.starts_with("io_reason.rs"));
    let mut helps = commands().into_iter().map(|command| {
        let arguments: Vec<&str> = command.iter().map(String::as_str).collect();
        Text { place: format!("help of {}", command.join(" ")), words: help(&arguments) }
    });
    let all = texts.into_iter().chain(&mut helps);
    let bad: Vec<String> = all
        .filter_map(|text| {
            let word = jargon.iter().find(|word| text.words.contains(*word))?;
            Some(format!("{}: {word}: {}", text.place, text.words))
        })
        .collect();
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

#[test]
fn literals_are_found() {
    let code = "say(\"one two\"); // \"no\"\n/// \"no\"\nlet q = '\"';\nsay(\"a \\\n    b \\\"c\\\"\");\n";
    assert_eq!(quoted(code), [(1, "one two".to_owned()), (4, "a b \"c\"".to_owned())]);
}

#[test]
#[ignore = "prints a list to be read: cargo test --test sentences -- --ignored --nocapture"]
fn all_sentences() {
    println!("{}", help(&[]));
    for command in commands() {
        let arguments: Vec<&str> = command.iter().map(String::as_str).collect();
        println!("== {}\n{}", command.join(" "), help(&arguments));
    }
    for Text { place, words } in texts() {
        println!("{place}: {words}");
    }
}
