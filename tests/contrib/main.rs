//! Proves that what ships under `contrib/` can be used: every procedure and bench is read, and each bench suits its
//! procedures.

mod play;

use std::{collections::BTreeSet, fs, path::PathBuf};

use bayline::{
    channel::Bench,
    fitness::{self, BenchFacts, Severity},
    procedure::Procedure,
    protocol::Library,
};

/// Each procedure and the example bench that it is written for.
const BENCHES: [(&str, &str); 15] = [
    ("valve-coils-at-the-connector", "valve-block"),
    ("shared-ground-drop-with-everything-running", "valve-block"),
    ("feed-drop-under-load", "valve-block"),
    ("module-feed-and-ground-under-load", "valve-block"),
    ("insulation-of-a-coil", "valve-block"),
    ("current-control-of-a-switched-valve", "current-control"),
    ("charging-system-12v", "vehicle-supply"),
    ("charging-system-24v", "vehicle-supply"),
    ("battery-and-cranking-drop", "vehicle-supply"),
    ("key-off-draw-after-everything-sleeps", "vehicle-supply"),
    ("supply-while-a-control-module-is-programmed", "vehicle-supply"),
    ("selector-moves-in-the-bay", "selector-valves"),
    ("gear-changes-on-the-road", "selector-valves"),
    ("wiggle-at-the-connector", "valve-block"),
    ("hot-and-cold", "valve-block"),
];

fn folder(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("contrib").join(name)
}

fn file(folder_name: &str, name: &str) -> PathBuf {
    folder(folder_name).join(format!("{name}.toml"))
}

fn names(of: &str) -> BTreeSet<String> {
    let entries = fs::read_dir(folder(of)).unwrap().map(|entry| entry.unwrap().path());
    entries.map(|path| path.file_stem().unwrap().to_string_lossy().into_owned()).collect()
}

fn procedure(name: &str) -> Procedure {
    Procedure::load(&file("procedures", name)).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn every_file_is_among_those_that_are_checked() {
    assert_eq!(names("procedures"), BENCHES.iter().map(|(procedure, _)| (*procedure).to_owned()).collect());
    assert_eq!(names("benches"), BENCHES.iter().map(|(_, bench)| (*bench).to_owned()).collect::<BTreeSet<_>>());
}

#[test]
fn each_bench_suits_its_procedures() {
    for (name, bench) in BENCHES {
        let path = file("benches", bench);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(name), "{bench} does not name {name}");
        let bench = Bench::load(&path, &Library::new(Vec::new())).unwrap_or_else(|error| panic!("{error}"));
        let found = fitness::check(&procedure(name), &BenchFacts::of(&bench));
        for unfit in &found {
            assert_eq!(unfit.severity, Severity::Note, "{name}, line {}: step \"{}\": {unfit}", unfit.line, unfit.step);
        }
        assert!(
            procedure(name).text.contains(&format!("contrib/benches/{}.toml", path.file_stem().unwrap().display()))
        );
    }
}

#[test]
fn a_bench_of_another_kind_does_not() {
    let bench = Bench::load(&file("benches", "valve-block"), &Library::new(Vec::new())).unwrap();
    let found = fitness::check(&procedure("battery-and-cranking-drop"), &BenchFacts::of(&bench));
    assert!(found.iter().any(|unfit| unfit.severity == Severity::Fails && unfit.what.contains("\"large clamp\"")));
}

#[test]
fn figures_are_marked_and_cautions_given() {
    for (name, _) in BENCHES {
        let procedure = procedure(name);
        let first = procedure.text.lines().next().unwrap();
        assert_eq!(first, "# figures are common practice, the maker's figures come first", "{name}");
        for words in ["maker", "high-voltage", "airbag"] {
            assert!(procedure.caution.contains(words), "{name}: the caution does not speak of {words}");
        }
        // Each limit's line says where its figure comes from.
        let limits = ["at_least = ", "at_most = ", "between = ", "nominal = "];
        for line in procedure.text.lines().filter(|line| limits.iter().any(|key| line.starts_with(key))) {
            assert!(line.contains('#'), "{name}: {line}");
        }
        for step in procedure.steps.iter().filter(|step| step.channel.is_some()) {
            assert!(!step.instruction.is_empty(), "{name}: step \"{}\" does not say what to do", step.name);
        }
    }
}

/// `check` says when a meter's last digit is too coarse for the drop across a fuse.
#[test]
fn a_digit_of_a_tenth_of_a_millivolt_is_too_coarse_for_fuses() {
    let text = fs::read_to_string(file("benches", "vehicle-supply")).unwrap();
    let coarse =
        text.replace("0.05 % + 0.02 mV", "0.5 % + 2 digits").replace("digit = \"0.01 mV\"", "digit = \"0.1 mV\"");
    assert_ne!(text, coarse);
    let bench = Bench::parse("bench.toml", &coarse, &Library::new(Vec::new())).unwrap();
    let found = fitness::check(&procedure("key-off-draw-after-everything-sleeps"), &BenchFacts::of(&bench));
    let unfit = found.iter().find(|unfit| unfit.step == "across the fuse: F1").expect("told");
    assert_ne!(unfit.severity, Severity::Note, "{unfit}");
}

/// The protocol of a presenter fits its own examples, and a bench file may name it.
#[test]
fn the_protocol_of_a_presenter_is_right() {
    let path = format!("{}/contrib/protocols/presenter.toml", env!("CARGO_MANIFEST_DIR"));
    let checked =
        std::process::Command::new(env!("CARGO_BIN_EXE_bayline")).args(["protocols", "check", &path]).output().unwrap();
    assert!(checked.status.success(), "{checked:?}");
    let library = Library::new(vec![format!("{}/contrib/protocols", env!("CARGO_MANIFEST_DIR")).into()]);
    let bench =
        "[[meter]]\nname = \"pedal\"\nport = \"keys:/dev/input/by-id/usb-pedal-event-kbd\"\nprotocol = \"presenter\"\n";
    Bench::parse("bench.toml", bench, &library).unwrap();
}
