//! A procedure file and its mistakes.

use super::*;
use crate::{
    electrics::DecisionRule,
    procedure::{
        Advance, ChangeDirection, MachineHeat, PROCEDURE_SCHEMA, RequiredMove, Role, RunningLoads, ShapeFigure,
    },
    units::Quantity,
    words,
};

const GOOD: &str = r#"
title = "Loader valve block, at the connector"
caution = "Park on level ground, bucket down, key out before unplugging."

[[step]]
name = "feed, lift coil"
circuit = "lift coil"
do = "Key on, connector unplugged. Red lead on the lift feed pin, black lead on battery negative."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"

[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"

[[step]]
name = "yard drive"
"#;

#[test]
fn a_procedure_is_read() {
    let procedure = Procedure::parse("p.toml", GOOD).unwrap();
    assert_eq!(procedure.steps.len(), 3);
    let ohms = &procedure.steps[1];
    assert_eq!((ohms.quantity, ohms.line), (Some(Quantity::Ohms), 16));
    assert_eq!(ohms.limit.unwrap().to_string(), "6.9 ohm to 8.1 ohm");
    assert_eq!(procedure.steps[2].limit, None);
}

/// The words that the schema lists at a place are those of the parser's table.
#[test]
fn the_schema_lists_the_words_of_the_tables() {
    let schema: serde_json::Value = serde_json::from_str(PROCEDURE_SCHEMA).unwrap();
    let step = "/$defs/step/properties";
    words::check_schema::<Advance>(&schema, "/properties/advance/enum");
    words::check_schema::<CaptureMode>(&schema, &format!("{step}/capture/enum"));
    words::check_schema::<DecisionRule>(&schema, &format!("{step}/rule/enum"));
    words::check_schema::<MachineHeat>(&schema, &format!("{step}/state/enum"));
    words::check_schema::<Role>(&schema, &format!("{step}/role/enum"));
    words::check_schema::<ChangeDirection>(&schema, "/$defs/response/properties/going/enum");
    words::check_schema::<RequiredMove>(&schema, "/$defs/response/properties/must/enum");
    words::check_schema::<ShapeFigure>(&schema, &format!("{step}/shape/enum"));
    words::check_schema::<RunningLoads>(&schema, &format!("{step}/running/enum"));
    words::check_usual_words::<Quantity>(&schema, "/$defs/quantity/examples");
}

#[test]
fn each_mistake_is_reported_with_its_line() {
    for (from, to, line, words) in [
        ("at_least = \"11.8 V\"", "at_least = \"11.8 A\"", 11, "expected a limit in V"),
        ("at_least = \"11.8 V\"", "at_least = \"11.8\"", 11, "a number and a unit"),
        ("at_least = \"11.8 V\"", "at_last = \"11.8 V\"", 11, "`at_last`"),
        ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nbetween = \"1 V to 2 V\"", 6, "two limits"),
        ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nat_most = \"9 V\"", 12, "above it"),
        ("\"ohm\"", "\"mho\"", 17, "\"ohm\""),
        ("\"lift coil ohms\"", "\"Feed, lift coil\"", 14, "second step"),
        ("\"yard drive\"", "\"next\"", 21, "other than next"),
        ("\"yard drive\"", "\"w\"\ncapture = \"wiggle\"", 21, "expected a channel that carries something"),
        ("\"yard drive\"", "\"w\"\nwhen = [{ channel = \"a\", to = \"1 A to 2 A\" }]", 22, "expected mark, or change"),
        ("\"yard drive\"", "\"w\"\nwhen = [{ mark = \"\", channel = \"a\" }]", 22, "expected `to` or `within`"),
        ("\"yard drive\"", "\"w\"\nwhen = [{ mark = \"\", channel = \"a\", to = \"1 A\" }]", 22, "two values"),
        (
            "\"yard drive\"",
            "\"w\"\nwhen = [{ mark = \"\", channel = \"a\", must = \"hold\", to = \"1 A to 2 A\" }]",
            22,
            "none where it must hold",
        ),
        (
            "\"yard drive\"",
            "\"w\"\ncapture = \"steady\"\nchannel = \"a\"\nwhen = [{ mark = \"\", channel = \"a\", within = \"1 s\" }]",
            21,
            "capture = \"worst\" or none",
        ),
        ("\"yard drive\"", "\"drive\"\nat_most = \"1 V\"", 22, "expected a channel"),
        ("\"yard drive\"", "\"drive\"\ncapture = \"best\"", 22, "\"taken\""),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil amps\"", 18, "expected quantity = \"A DC\""),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil\"", 18, "\"coil ohms\", \"coil amps\""),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil ohms\"\nrunning = \"this\"", 19, "running"),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nrunning = \"it\"", 18, "\"everything\""),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nplace = \"0 V to 3 V\"", 18, "\"-10 °C to 60 °C\""),
        ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nstate = \"hot\"", 12, "\"ohm\" only"),
        ("quantity = \"ohm\"", "quantity = \"ohm\"\nstate = \"lukewarm\"", 18, "\"cold\", \"warm\" or \"hot\""),
        ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nplace = \"0 °C to 60 °C\"", 12, "\"ohm\" only"),
        (
            "quantity = \"ohm\"",
            "quantity = \"ohm\"\ncontact = \"fix\"",
            18,
            "found \"fix\", expected \"fixed\" for leads",
        ),
        (
            "quantity = \"ohm\"",
            "quantity = \"ohm\"\nwhile = [{ channel = \"clamp\", at_least = \"-1 A\" }]",
            18,
            "found at least -1 A for channel \"clamp\", expected a value above zero",
        ),
        (
            "at_least = \"11.8 V\"",
            "at_most = \"100 mV\"\ncapture = \"steady\"",
            6,
            "write contact = \"fixed\" if the leads are clipped on and stay there, or contact = \"20 mV\"",
        ),
        ("circuit = \"lift coil\"\nchannel", "role = \"coil ohms\"\nchannel", 15, "expected a circuit"),
    ] {
        assert!(GOOD.contains(from), "{from}");
        let mistake = Procedure::parse("p.toml", &GOOD.replacen(from, to, 1)).unwrap_err();
        assert!(mistake.message.contains(words), "{to}: {mistake}");
        assert_eq!(mistake.line, line, "{to}: {mistake}");
    }
    assert!(Procedure::parse("p.toml", "title = \"x\"\nstep = []").is_err());
}

/// Seen: the line of each step was counted from the beginning of the file, and its name compared with all before:
/// 30,000 steps took 10 s.
#[test]
fn a_long_procedure_is_read_in_no_time_and_too_long_a_one_refused() {
    let text = |steps: usize| {
        let steps: String =
            (0..steps).map(|step| format!("[[step]]\nname = \"step {step} of a long list\"\n")).collect();
        format!("title = \"long\"\n{steps}")
    };
    let procedure = Procedure::parse("p.toml", &text(MOST_STEPS)).unwrap();
    assert_eq!((procedure.steps.len(), procedure.steps[MOST_STEPS - 1].line), (MOST_STEPS, 2 * MOST_STEPS + 1));
    let mistake = Procedure::parse("p.toml", &text(MOST_STEPS + 1)).unwrap_err();
    assert!(mistake.message.contains("5001 steps, expected 5000 at most"), "{mistake}");
    let mistake = Procedure::parse("p.toml", &text(30_000)).unwrap_err();
    assert!(mistake.message.contains("longer than 512 KiB"), "{mistake}");
}

#[test]
fn a_text_that_is_a_file_is_refused_where_it_stands() {
    let long = |text: String| Procedure::parse("p.toml", &text).unwrap_err().to_string();
    let (name, page) = ("x".repeat(401), "x".repeat(4001));
    let words = "has 401 characters, 400 at most are kept; shorten it";
    assert_eq!(long(format!("title = \"{name}\"")), format!("p.toml, line 1: the name {words}"));
    assert_eq!(long(GOOD.replace("yard drive", &name)), format!("p.toml, line 21: the name {words}"));
    let set = format!("\"yard drive\"\nset = [\n\"a\",\n\"{name}\"]");
    assert!(long(GOOD.replace("\"yard drive\"", &set)).ends_with(words));
    let circuit = "circuit = \"lift coil\"\ndo";
    assert_eq!(
        long(GOOD.replace(circuit, &format!("circuit = \"{name}\"\ndo"))),
        format!("p.toml, line 7: the name {words}")
    );
    let told = long(GOOD.replace("Key on, connector unplugged.", &page));
    assert!(told.starts_with("p.toml, line 8: the text has 40"), "{told}");
}
