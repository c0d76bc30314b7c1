//! Proves that the program prints its own completions and manual pages, and that no command is missing there.

use std::fs;

use crate::harness::{Bay, text};

/// The commands that the help lists.
fn commands(bay: &Bay) -> Vec<String> {
    let help = bay.bayline(["--help"]).done();
    let lines = help.lines().skip_while(|line| !line.starts_with("Commands:")).skip(1);
    let names = lines
        .take_while(|line| !line.trim().is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    let names: Vec<String> = names.filter_map(|line| Some(line.split_whitespace().next()?.to_owned())).collect();
    assert!(names.len() > 20, "{help}");
    names
}

#[test]
fn completions_know_every_command() {
    let bay = Bay::new();
    let commands = commands(&bay);
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = bay.bayline(["completions", shell]).done();
        for command in &commands {
            assert!(script.contains(command.as_str()), "{command} in the completions of {shell}");
        }
        assert!(script.contains("procedure"), "options too: {shell}");
    }
    assert_eq!(bay.bayline(["completions", "cooker"]).code, Some(2));
}

#[test]
fn every_command_has_a_manual_page() {
    let bay = Bay::new();
    let folder = bay.path("man");
    let printed = bay.bayline(["man", "-o", text(&folder)]).done();
    assert!(printed.trim_end().ends_with("man/bayline.1"), "{printed}");
    for command in commands(&bay).iter().filter(|command| *command != "help") {
        let page = fs::read_to_string(folder.join(format!("bayline-{command}.1")))
            .unwrap_or_else(|error| panic!("bayline-{command}.1: {error}"));
        assert!(page.contains(".SH NAME") && page.contains(".SH SYNOPSIS"), "{page}");
    }
    assert!(bay.bayline(["man"]).done().contains(".SH NAME"));
    let file = bay.write("file", "");
    let said = bay.bayline(["man", "-o", text(&file)]).failed(1);
    assert!(said.contains("choose another folder with -o"), "{said}");
}
