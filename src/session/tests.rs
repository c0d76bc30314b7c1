//! The core as a whole: what an operator does, and what must come of it however the bytes were split.

mod ending;

use std::sync::Arc;

use proptest::prelude::*;
use uuid::Uuid;

use super::{
    findings::{ConfidenceLevel, FindingKind},
    record::StepExit,
    *,
};
use crate::{
    channel::{Channel, ChannelId, Conversion, MeterId, Sample},
    clock::{Mono, Wall},
    procedure::Procedure,
    protocol::{Annunciators, Value},
    units::Quantity,
    words::check_every_word,
};

const PROCEDURE: &str = r#"
title = "two terminals and a coil"
advance = "lifted"

[[step]]
name = "feed one"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"

[[step]]
name = "feed two"
circuit = "tilt coil"
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
capture = "steady"

[[step]]
name = "lift ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"
"#;

fn channel(name: &str) -> Channel {
    Channel {
        name: name.to_owned(),
        meter: MeterId(0),
        meter_name: "handheld".to_owned(),
        reads: "value".to_owned(),
        conversion: Conversion::NONE,
        range: None,
        fuse: None,
    }
}

fn volts(at_ms: i64, value: f64) -> Sample {
    Sample {
        at: Mono(at_ms * 1000),
        channel: ChannelId(0),
        quantity: Quantity::VoltsDc,
        value: Value::Number(value),
        u: Some(0.02),
        decade: Some(-2),
        digit: Some(0.01),
        annunciators: Annunciators::empty(),
    }
}

fn begin(procedure: Option<&str>) -> Command {
    let procedure = procedure.map(|text| Arc::new(Procedure::parse("p.toml", text).unwrap()));
    Command::Begin(Begin {
        id: Uuid::nil(),
        wall: Wall(0),
        visit: Visit::default(),
        procedure,
        bench: String::new(),
        retests: None,
        previous: None,
    })
}

/// A core with an open session and one channel.
struct Watched {
    core: Core,
    effects: Vec<Effect>,
}

impl Watched {
    fn new(procedure: Option<&str>) -> Self {
        let mut watched = Self { core: Core::new(["handheld".to_owned()]), effects: Vec::new() };
        watched.core.handle(Mono(0), CoreEvent::Channel(ChannelId(0), channel("probe")), &mut watched.effects);
        watched.say(0, begin(procedure)).unwrap();
        watched
    }

    fn say(&mut self, at_ms: i64, command: Command) -> Result<CommandReply, Refusal> {
        self.core.command(Mono(at_ms * 1000), command, &mut self.effects)
    }

    fn go(&mut self, at_ms: i64, to: &str) -> Result<CommandReply, Refusal> {
        self.say(at_ms, Command::Step(StepMove::parse(to)))
    }

    fn feed(&mut self, samples: Vec<Sample>) {
        let at = samples.last().map_or(Mono(0), |sample| sample.at);
        self.core.handle(at, CoreEvent::Samples(samples), &mut self.effects);
    }

    fn on(&self) -> Option<String> {
        self.core.step_view().map(|view| view.name.clone())
    }

    /// What would be stored, with samples one by one.
    fn records(self) -> Vec<String> {
        let mut lines = Vec::new();
        for effect in self.effects {
            match effect {
                Effect::Record(Record::Samples(samples, verdicts)) => {
                    assert_eq!(samples.len(), verdicts.len());
                    lines.extend(
                        samples.iter().zip(verdicts).map(|(sample, verdict)| format!("{sample:?} {verdict:?}")),
                    );
                }
                Effect::Record(record) => lines.push(format!("{record:?}")),
                Effect::Notice(_) | Effect::WorkOut(_) => {}
            }
        }
        lines
    }
}

/// Two terminals probed without touching the computer.
fn hands_free() -> Vec<Sample> {
    let mut samples = Vec::new();
    let mut at = 0;
    let mut hold = |value: f64, count: usize| {
        for index in 0..count {
            at += 100;
            samples.push(volts(at, value + (index % 2) as f64 * 0.01));
        }
    };
    hold(0.01, 5);
    hold(12.41, 25);
    hold(0.01, 5);
    hold(9.2, 25);
    hold(0.02, 5);
    samples
}

#[test]
fn terminal_after_terminal_without_touching_the_computer() {
    let mut watched = Watched::new(Some(PROCEDURE));
    watched.feed(hands_free());
    assert_eq!(watched.on().as_deref(), Some("lift ohms"));
    let verdicts: Vec<_> = watched
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Notice(Notice::Judged { step, judgement }) => {
                Some((step.clone(), judgement.as_ref().and_then(|judgement| judgement.verdict())))
            }
            _ => None,
        })
        .collect();
    assert_eq!(
        verdicts,
        [("feed one".to_owned(), Some(Verdict::InLimit)), ("feed two".to_owned(), Some(Verdict::OutOfLimit))]
    );
    // The feed of the lift coil was seen live: before its ohms the operator is warned.
    let said: Vec<_> = watched
        .effects
        .iter()
        .filter_map(|effect| match effect {
            Effect::Notice(Notice::Say(text)) => Some(text.as_str()),
            _ => None,
        })
        .collect();
    assert!(said.iter().any(|text| text.starts_with("the feed of this circuit was live (12.4")), "{said:?}");
    assert!(said.contains(&"switch handheld from V DC to ohm"), "{said:?}");
}

#[test]
fn a_lead_that_stays_on_the_old_pin_is_not_captured_for_the_new_step() {
    let mut watched = Watched::new(Some(&PROCEDURE.replace("lifted", "told")));
    watched.feed((1..30).map(|index| volts(index * 100, 12.4)).collect());
    watched.go(3000, "next").unwrap();
    watched.feed((31..60).map(|index| volts(index * 100, 12.4)).collect());
    let captures = watched.effects.iter().filter(|effect| matches!(effect, Effect::Notice(Notice::Captured { .. })));
    assert_eq!(captures.count(), 1);
}

#[test]
fn steps_go_where_the_operator_says() {
    let mut watched = Watched::new(Some(PROCEDURE));
    assert_eq!(watched.go(1, "back").unwrap_err(), Refusal::AtFirst);
    for (to, on) in [
        ("next", Some("feed two")),
        ("again", Some("feed two")),
        ("back", Some("feed one")),
        ("lift", Some("lift ohms")),
        ("FEED TWO", Some("feed two")),
        ("3", Some("lift ohms")),
        ("2", Some("feed two")),
        ("skip", Some("lift ohms")),
        ("next", None),
    ] {
        watched.go(2, to).unwrap();
        assert_eq!(watched.on().as_deref(), on, "{to}");
    }
    assert_eq!(watched.go(3, "next").unwrap_err(), Refusal::AtEnd);
    assert!(matches!(watched.go(3, "feed").unwrap_err(), Refusal::UnknownStep { .. }));
    watched.go(4, "back").unwrap();
    assert_eq!(watched.on().as_deref(), Some("lift ohms"));
    assert_eq!(watched.core.step_view().map(|view| (view.number, view.attempt)), Some((10, 4)));
}

/// Seen in the demo: no prompt to switch a meter that had sent nothing when the session began.
#[test]
fn a_meter_that_speaks_up_late_is_still_told_to_be_switched() {
    let mut watched = Watched { core: Core::new(["handheld".to_owned()]), effects: Vec::new() };
    watched.say(0, begin(Some(PROCEDURE))).unwrap();
    watched.core.handle(Mono(1000), CoreEvent::Channel(ChannelId(0), channel("probe")), &mut watched.effects);
    watched.go(2, "lift ohms").unwrap();
    let said = watched.effects.iter().filter_map(|effect| match effect {
        Effect::Notice(Notice::Say(text)) => Some(text.as_str()),
        _ => None,
    });
    assert_eq!(said.collect::<Vec<_>>(), ["switch handheld from V DC to ohm"]);
}

#[test]
fn a_meter_that_falls_silent_is_reported_and_found_again() {
    let mut watched = Watched::new(None);
    watched.core.handle(Mono(0), CoreEvent::MeterOpened(MeterId(0)), &mut watched.effects);
    watched.feed(vec![volts(500, 12.4)]);
    watched.core.handle(Mono(10_000_000), CoreEvent::Tick, &mut watched.effects);
    assert_eq!(watched.core.alarms().count(), 0);
    for at in [11_000_000, 12_000_000] {
        watched.core.handle(Mono(at), CoreEvent::Tick, &mut watched.effects);
    }
    assert!(watched.core.alarms().next().unwrap().contains("no reading from \"handheld\" for 10 s"));
    watched.feed(vec![volts(20_500, 12.4)]);
    assert_eq!(watched.core.alarms().count(), 0);
    let events: Vec<String> = watched.records().into_iter().filter(|line| line.starts_with("Event(")).collect();
    assert_eq!(events.len(), 3, "{events:?}");
    assert!(events[1].contains("MeterSilent") && events[2].contains("readings again, after 20 s"), "{events:?}");
}

#[test]
fn a_meter_without_a_channel_is_missed_where_readings_are_expected_or_nothing_can_be_read() {
    let silent = |expected: bool, counts: FrameCounts| {
        let mut watched = Watched { core: Core::new(["board".to_owned()]), effects: Vec::new() };
        watched.say(0, begin(None)).unwrap();
        if expected {
            watched.core.expect_readings([MeterId(0)].into_iter());
        }
        watched.core.handle(Mono(0), CoreEvent::MeterOpened(MeterId(0)), &mut watched.effects);
        watched.core.handle(Mono(1000), CoreEvent::FrameCounts(MeterId(0), counts), &mut watched.effects);
        watched.core.handle(Mono(11_000_000), CoreEvent::Tick, &mut watched.effects);
        watched.core.alarms().next().map(str::to_owned)
    };
    let (nothing, bytes) = (FrameCounts::default(), FrameCounts { bytes: 1, ..FrameCounts::default() });
    assert_eq!(silent(false, nothing), None, "it may be a foot switch");
    assert!(silent(true, nothing).unwrap().contains("no reading from \"board\""));
    assert!(silent(false, bytes).unwrap().contains("can't be read"));
    assert_eq!(silent(false, FrameCounts { decoded: 1, ..bytes }), None, "a foot switch that was pressed");
}

#[test]
fn without_a_procedure_every_mark_makes_a_step() {
    let mut watched = Watched::new(None);
    assert_eq!(watched.go(1, "skip").unwrap_err(), Refusal::NoProcedure { way: "on" });
    assert_eq!(watched.go(1, "again").unwrap_err(), Refusal::NoStep);
    watched.go(1, "reverse, second try").unwrap();
    assert_eq!(watched.on().as_deref(), Some("reverse, second try"));
    watched.say(2, Command::Mark { text: "brake released".to_owned(), by: "pedal".to_owned() }).unwrap();
    assert_eq!(watched.on().as_deref(), Some("brake released"));
    watched.go(3, "next").unwrap();
    assert_eq!(watched.on().as_deref(), Some("step 3"));
    assert_eq!(watched.say(3, Command::Take(None)).unwrap_err(), Refusal::NothingToTake);
    watched.feed(vec![volts(4, 12.4)]);
    let CommandReply::Taken(taken) = watched.say(5, Command::Take(None)).unwrap() else { panic!() };
    assert_eq!((taken.len(), taken[0].1.judgement.verdict()), (1, None));
    watched.say(6, Command::End).unwrap();
    assert_eq!(watched.say(7, Command::End).unwrap_err(), Refusal::NoSession);
    assert_eq!(watched.say(7, Command::Note("x".to_owned())).unwrap_err(), Refusal::NoSession);
}

#[test]
fn a_gap_is_not_judged_across() {
    let mut watched = Watched::new(Some(PROCEDURE));
    watched.feed((1..30).map(|index| volts(index * 100, if index < 25 { 0.01 } else { 12.4 })).collect());
    watched.core.handle(
        Mono(3_000_000),
        CoreEvent::MeterLost(MeterId(0), "unplugged".to_owned()),
        &mut watched.effects,
    );
    let missing = Refusal::MeterMissing { meter: "handheld".to_owned(), why: "unplugged".to_owned() };
    assert_eq!(watched.say(3100, Command::Take(None)).unwrap_err(), missing);
    assert!(watched.core.alarms().any(|alarm| alarm.contains("unplugged")));
    watched.core.handle(Mono(4_000_000), CoreEvent::MeterOpened(MeterId(0)), &mut watched.effects);
    assert_eq!(watched.core.alarms().count(), 0);
    let records = watched.records();
    assert!(records.iter().any(|line| line.contains("MeterLost")), "{records:?}");
}

proptest! {
    /// Live, replayed and judged again: the same samples give the same records, whatever chunks they came in.
    #[test]
    fn chunks_make_no_difference(cuts in prop::collection::vec(1usize..20, 1..40)) {
        let samples = hands_free();
        let mut whole = Watched::new(Some(PROCEDURE));
        whole.feed(samples.clone());
        let mut chunked = Watched::new(Some(PROCEDURE));
        let mut rest = &samples[..];
        for cut in cuts {
            let (chunk, after) = rest.split_at(cut.min(rest.len()));
            chunked.feed(chunk.to_vec());
            rest = after;
        }
        chunked.feed(rest.to_vec());
        prop_assert_eq!(whole.records(), chunked.records());
    }
}

#[test]
fn each_stored_word_is_read_back() {
    check_every_word::<EventKind>();
    check_every_word::<StepExit>();
    check_every_word::<SessionExit>();
    check_every_word::<Verdict>();
    check_every_word::<CaptureMethod>();
    check_every_word::<FindingKind>();
    check_every_word::<ConfidenceLevel>();
}

const HELD: &str = r#"
title = "one coil, held on in two steps"
[[step]]
name = "lift amps"
circuit = "lift coil"
channel = "probe"
quantity = "A DC"
hold_at_most = "20 s"
[[step]]
name = "lift amps, engine running"
circuit = "lift coil"
channel = "probe"
quantity = "A DC"
hold_at_most = "20 s"
[[step]]
name = "tilt amps"
circuit = "tilt coil"
channel = "probe"
quantity = "A DC"
hold_at_most = "20 s"
[[step]]
name = "lift ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
"#;

fn amps(at_ms: i64, value: f64) -> Sample {
    Sample { quantity: Quantity::AmpsDc, ..volts(at_ms, value) }
}

fn announced(effects: &[Effect]) -> Vec<&str> {
    let said = effects.iter().filter_map(|effect| match effect {
        Effect::Notice(Notice::Say(text)) => Some(text.as_str()),
        _ => None,
    });
    said.filter(|text| text.contains("still warm") || text.contains("let go")).collect()
}

#[test]
fn a_coil_is_held_on_over_steps_and_each_coil_has_a_time_of_its_own() {
    let mut watched = Watched::new(Some(HELD));
    watched.feed((0..150).map(|at| amps(at * 100, 1.6)).collect());
    // Not let go between the steps: 20 s after it came on, not after the step began.
    watched.go(15_000, "next").unwrap();
    watched.feed((150..198).map(|at| amps(at * 100, 1.6)).collect());
    assert_eq!(
        announced(&watched.effects),
        ["lift coil is still warm from being held on: hold it for 5 s at most now, or let it cool for 45 s"]
    );
    watched.feed((198..202).map(|at| amps(at * 100, 1.6)).collect());
    assert_eq!(announced(&watched.effects).len(), 2, "{:?}", announced(&watched.effects));
    assert!(announced(&watched.effects)[1].starts_with("let go"));
    assert_eq!(watched.on(), None, "the step is ended");
    // The other coil is cold.
    watched.go(21_000, "tilt").unwrap();
    watched.feed((210..300).map(|at| amps(at * 100, 1.6)).collect());
    assert_eq!(announced(&watched.effects).len(), 2);
    watched.go(30_000, "lift ohms").unwrap();
    assert_eq!(
        announced(&watched.effects)[2],
        "lift coil is still warm from being held on: its ohms read high until it has cooled"
    );
}

#[test]
fn a_derived_channel_is_judged_like_any_other_however_the_bytes_were_split() {
    let procedure = "title = \"t\"\n[[step]]\nname = \"feed drop\"\nchannel = \"drop\"\nquantity = \"V DC\"\nat_most = \"0.5 V\"\n\
                     capture = \"worst\"\n";
    let run = |chunk: usize| {
        let mut watched = Watched { core: Core::new(["handheld".to_owned()]), effects: Vec::new() };
        let spec = crate::channel::DerivedSpec {
            name: "drop".to_owned(),
            of: ["probe".to_owned(), "feed".to_owned()],
            operation: crate::channel::Operation::Minus,
            text: "probe - feed".to_owned(),
            within: std::time::Duration::from_secs(1),
            quantity: Some(Quantity::VoltsDc),
        };
        watched.core.handle(Mono(0), CoreEvent::Derived(ChannelId(2), spec), &mut watched.effects);
        watched.core.handle(Mono(0), CoreEvent::Channel(ChannelId(0), channel("probe")), &mut watched.effects);
        watched.say(0, begin(Some(procedure))).unwrap();
        watched.core.handle(Mono(0), CoreEvent::Channel(ChannelId(1), channel("feed")), &mut watched.effects);
        let samples: Vec<Sample> = (0..40)
            .flat_map(|at| {
                [volts(at * 100, 12.6), Sample { channel: ChannelId(1), ..volts(at * 100, 12.3 - 0.01 * at as f64) }]
            })
            .collect();
        for chunk in samples.chunks(chunk) {
            watched.feed(chunk.to_vec());
        }
        let CommandReply::Step { judged: Some(judged), .. } = watched.go(5000, "next").unwrap() else { panic!() };
        (judged, watched.records())
    };
    let (judged, records) = run(1);
    // 12.6 - 11.91 V at the end; 20 mV twice is 28.3 mV, JCGM 100 5.1.2.
    assert_eq!(judged.verdict(), Some(Verdict::OutOfLimit));
    assert!((judged.u().unwrap() - 0.02 * 2f64.sqrt()).abs() < 1e-9, "{judged:?}");
    assert!(judged.reason.starts_with("0.69 V is 0.19 V too high"), "{}", judged.reason);
    for chunk in [2, 7, 80] {
        let (other, others) = run(chunk);
        assert_eq!(judged, other);
        assert_eq!(records, others, "{chunk}");
    }
}
