//! Proves the JSON schemas of the files that people write: what ships conforms, what is wrong does not, and every key
//! that is read is in them and no other.

use std::{collections::BTreeSet, fs, path::Path};

use bayline::{
    channel::{BENCH_SCHEMA, Bench},
    procedure::{PROCEDURE_SCHEMA, Procedure},
    protocol::Library,
};
use serde_json::Value;

fn schema(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn json(toml: &str) -> Value {
    let value: toml::Value = toml::from_str(toml).unwrap();
    serde_json::to_value(value).unwrap()
}

fn files(folder: &str) -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let paths = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    paths.map(|path| (path.display().to_string(), fs::read_to_string(&path).unwrap())).collect()
}

#[test]
fn all_that_ships_conforms() {
    for (text, folder) in [(BENCH_SCHEMA, "contrib/benches"), (PROCEDURE_SCHEMA, "contrib/procedures")] {
        let validator = jsonschema::validator_for(&schema(text)).unwrap();
        let files = files(folder);
        assert!(!files.is_empty());
        for (name, file) in files {
            let wrong: Vec<String> = validator.iter_errors(&json(&file)).map(|error| error.to_string()).collect();
            assert!(wrong.is_empty(), "{name}: {wrong:?}");
        }
    }
}

#[test]
fn what_is_wrong_is_refused() {
    let bench = jsonschema::validator_for(&schema(BENCH_SCHEMA)).unwrap();
    let procedure = jsonschema::validator_for(&schema(PROCEDURE_SCHEMA)).unwrap();
    let meter = "[[meter]]\nname = \"a\"\nport = \"b\"\n";
    for wrong in [
        meter.to_owned(),
        format!("{meter}protocol = \"c\"\nparity = \"mark\""),
        format!("{meter}protocol = \"c\"\nboud = 9600"),
        format!("{meter}protocol = \"c\"\n[[meter.channel]]\nname = \"d\"\naccuracy = []"),
    ] {
        assert!(!bench.is_valid(&json(&wrong)), "{wrong}");
    }
    for wrong in
        ["title = \"t\"\nstep = []", "title = \"t\"\n[[step]]\nname = \"s\"\ncapture = \"best\"", "title = \"t\""]
    {
        assert!(!procedure.is_valid(&json(wrong)), "{wrong}");
    }
}

/// The keys that stand in the sentence about one that is not known.
fn known(sentence: &str) -> BTreeSet<String> {
    let (_, list) = sentence.split_once("expected one of ").unwrap_or_else(|| panic!("{sentence}"));
    list.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

fn in_schema(schema: &Value, of: &str) -> BTreeSet<String> {
    let part = if of.is_empty() { schema } else { &schema["$defs"][of] };
    part["properties"].as_object().unwrap().keys().cloned().collect()
}

#[test]
fn every_key_that_is_read_is_in_the_schema() {
    let library = Library::new(Vec::new());
    let bench = |text: &str| Bench::parse("bench.toml", text, &library).unwrap_err().to_string();
    let procedure = |text: &str| Procedure::parse("p.toml", text).unwrap_err().to_string();
    let meter = "[[meter]]\nname = \"a\"\nport = \"b\"\nprotocol = \"number\"\n";
    for (schema, of, sentence) in [
        (schema(BENCH_SCHEMA), "meter", bench("[[meter]]\nzz = 1")),
        (schema(BENCH_SCHEMA), "channel", bench(&format!("{meter}[[meter.channel]]\nzz = 1"))),
        (
            schema(BENCH_SCHEMA),
            "row",
            bench(&format!("{meter}[[meter.channel]]\nname = \"c\"\naccuracy = [{{ zz = 1 }}]")),
        ),
        (schema(PROCEDURE_SCHEMA), "", procedure("zz = 1")),
        (schema(PROCEDURE_SCHEMA), "step", procedure("title = \"t\"\n[[step]]\nzz = 1")),
        (
            schema(PROCEDURE_SCHEMA),
            "condition",
            procedure("title = \"t\"\n[[step]]\nname = \"s\"\nwhile = [{ zz = 1 }]"),
        ),
    ] {
        assert_eq!(known(&sentence), in_schema(&schema, of), "{of}: {sentence}");
    }
}
