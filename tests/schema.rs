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
        (schema(BENCH_SCHEMA), "derived", bench(&format!("{meter}[[derived]]\nzz = 1"))),
        (schema(BENCH_SCHEMA), "channel", bench(&format!("{meter}[[meter.channel]]\nzz = 1"))),
        (
            schema(BENCH_SCHEMA),
            "row",
            bench(&format!("{meter}[[meter.channel]]\nname = \"c\"\naccuracy = [{{ zz = 1 }}]")),
        ),
        (schema(PROCEDURE_SCHEMA), "", procedure("zz = 1")),
        (schema(PROCEDURE_SCHEMA), "circuit", procedure("title = \"t\"\n[[circuit]]\nzz = 1")),
        (schema(PROCEDURE_SCHEMA), "proof", procedure("title = \"t\"\n[proof]\nzz = 1")),
        (schema(PROCEDURE_SCHEMA), "step", procedure("title = \"t\"\n[[step]]\nzz = 1")),
        (
            schema(PROCEDURE_SCHEMA),
            "condition",
            procedure("title = \"t\"\n[[step]]\nname = \"s\"\nwhile = [{ zz = 1 }]"),
        ),
        (schema(PROCEDURE_SCHEMA), "response", procedure("title = \"t\"\n[[step]]\nname = \"s\"\nwhen = [{ zz = 1 }]")),
    ] {
        assert_eq!(known(&sentence), in_schema(&schema, of), "{of}: {sentence}");
    }
}

/// The words that a schema lists at a key.
fn words(schema: &Value, of: &str, key: &str) -> Vec<String> {
    let part = if of.is_empty() { schema } else { &schema["$defs"][of] };
    let property = &part["properties"][key];
    let listed = match property["$ref"].as_str() {
        Some(reference) => schema.pointer(reference.trim_start_matches('#')).unwrap(),
        None => property,
    };
    let list = listed["enum"].as_array().or(listed["examples"].as_array()).unwrap_or_else(|| panic!("{of} {key}"));
    list.iter().map(|word| if word.is_string() { word.to_string() } else { format!("{word}") }).collect()
}

#[test]
fn every_word_of_the_schemas_is_read() {
    let library = Library::new(Vec::new());
    let bench = schema(BENCH_SCHEMA);
    let meter = "[[meter]]\nname = \"a\"\nport = \"/dev/b\"\nprotocol = \"number\"\n";
    let channel = format!("{meter}[[meter.channel]]\nname = \"c\"\n");
    let mut count = 0;
    for (of, key, before) in [
        ("meter", "data_bits", meter),
        ("meter", "parity", meter),
        ("meter", "stop_bits", meter),
        ("meter", "flow", meter),
        ("meter", "dtr", meter),
        ("meter", "rts", meter),
        ("channel", "quantity", &channel),
    ] {
        for word in words(&bench, of, key) {
            let text = format!("{before}{key} = {word}\n");
            Bench::parse("bench.toml", &text, &library).unwrap_or_else(|mistake| panic!("{text}: {mistake}"));
            count += 1;
        }
    }
    let procedure = schema(PROCEDURE_SCHEMA);
    let step = "[[step]]\nname = \"s\"\nchannel = \"c\"\n";
    for (of, key, step) in [
        ("", "advance", step),
        ("step", "quantity", step),
        ("step", "capture", step),
        ("step", "rule", step),
        ("step", "running", step),
    ] {
        for word in words(&procedure, of, key) {
            let text = match of {
                "" => format!("title = \"t\"\n{key} = {word}\n{step}"),
                _ => format!("title = \"t\"\n{step}{key} = {word}\n"),
            };
            Procedure::parse("p.toml", &text).unwrap_or_else(|mistake| panic!("{text}: {mistake}"));
            count += 1;
        }
    }
    for key in ["driver", "control", "clamp"] {
        for word in words(&procedure, "circuit", key) {
            let text = format!("title = \"t\"\n[[circuit]]\nname = \"x\"\n{key} = {word}\n{step}circuit = \"x\"\n");
            Procedure::parse("p.toml", &text).unwrap_or_else(|mistake| panic!("{text}: {mistake}"));
            count += 1;
        }
    }
    // A role wants its own quantity beside it.
    for role in words(&procedure, "step", "role") {
        let quantities = words(&procedure, "step", "quantity");
        let fits = quantities.iter().any(|quantity| {
            let text = format!("title = \"t\"\n{step}circuit = \"x\"\nquantity = {quantity}\nrole = {role}\n");
            Procedure::parse("p.toml", &text).is_ok()
        });
        assert!(fits, "{role}");
        count += 1;
    }
    assert!(count > 70, "{count}");
}
