//! Proves that what the README tells a new user to write works as it stands, and together.

use bayline::{
    channel::Bench,
    procedure::Procedure,
    protocol::{Library, Protocol},
};

/// The blocks of this language, in order.
fn blocks(language: &str) -> Vec<String> {
    let readme = include_str!("../README.md");
    let fences = readme.split("```").skip(1).step_by(2);
    fences.filter_map(|block| Some(block.strip_prefix(language)?.strip_prefix('\n')?.to_owned())).collect()
}

#[test]
fn the_bench_and_the_procedures_of_the_readme_work_together() {
    let blocks = blocks("toml");
    let (bench, procedures) = blocks.split_first().expect("the bench file comes first");
    let bench =
        Bench::parse("bench.toml", bench, &Library::new(Vec::new())).unwrap_or_else(|mistake| panic!("{mistake}"));
    let channels = bench.channel_names().expect("every meter of the README names its channels");
    assert!(procedures.len() >= 2, "{}", procedures.len());
    for text in procedures {
        if text.contains("[frame]") {
            Protocol::parse("pedal.toml", text).unwrap_or_else(|mistake| panic!("{mistake}"));
            continue;
        }
        let procedure = Procedure::parse("valves.toml", text).unwrap_or_else(|mistake| panic!("{mistake}"));
        if text.contains("selector-valves.toml") {
            let bench = include_str!("../contrib/benches/selector-valves.toml");
            let bench = Bench::parse("selector-valves.toml", bench, &Library::new(Vec::new()))
                .unwrap_or_else(|mistake| panic!("{mistake}"));
            let channels = bench.channel_names().expect("every meter of this bench names its channels");
            procedure.check_channels(&channels).unwrap_or_else(|mistake| panic!("{mistake}"));
            continue;
        }
        procedure.check_channels(&channels).unwrap_or_else(|mistake| panic!("{mistake}"));
    }
}
