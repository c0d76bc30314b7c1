//! A drive as the core sees it: what is kept and what is said of broken limits and drop-outs.

use std::sync::Arc;

use uuid::Uuid;

use crate::{
    channel::{Channel, ChannelId, Conversion, MeterId, Sample},
    clock::{Mono, Wall},
    electrics::noise::Noise,
    procedure::Procedure,
    protocol::{Annunciators, Value},
    session::{
        Begin, Command, Core, CoreEvent, Effect, Excursion, Intermittent, Judgement, Notice, PreviousSession,
        PreviousStep, PreviousWatch, Record, StepMove, TimedResponse, Verdict, Visit,
    },
    units::Quantity,
};

pub(super) const FEED: u16 = 0;
pub(super) const LIFT: u16 = 1;
pub(super) const TILT: u16 = 2;

const DRIVE: &str = r#"
title = "yard drive"
[[step]]
name = "drive"
channel = "lift coil"
quantity = "A DC"
between = "1.2 A to 1.8 A"
capture = "worst"
rule = "simple"
[[step]]
name = "done"
"#;

const WIGGLE: &str = r#"
title = "wiggle"
[[step]]
name = "move the harness"
channel = "lift coil"
quantity = "A DC"
capture = "wiggle"
"#;

/// A core with a feed and two coils on one board.
pub(super) struct Drive {
    pub(super) core: Core,
    pub(super) effects: Vec<Effect>,
}

impl Drive {
    pub(super) fn new(procedure: &str, previous: Option<PreviousSession>) -> Self {
        let mut drive = Self { core: Core::new(["board".to_owned()]), effects: Vec::new() };
        for (id, name) in [(FEED, "feed"), (LIFT, "lift coil"), (TILT, "tilt coil")] {
            let channel = Channel {
                name: name.to_owned(),
                meter: MeterId(0),
                meter_name: "board".to_owned(),
                reads: name.to_owned(),
                conversion: Conversion::NONE,
                range: None,
                fuse: None,
            };
            drive.core.handle(Mono(0), CoreEvent::Channel(ChannelId(id), channel), &mut drive.effects);
        }
        let begin = Begin {
            retests: None,
            id: Uuid::nil(),
            wall: Wall(0),
            visit: Visit::default(),
            procedure: Some(Arc::new(Procedure::parse("p.toml", procedure).unwrap())),
            bench: String::new(),
            previous: previous.map(Arc::new),
        };
        drive.command(0, Command::Begin(begin));
        drive
    }

    pub(super) fn command(&mut self, at_ms: i64, command: Command) {
        self.core.command(Mono(at_ms * 1000), command, &mut self.effects).unwrap();
    }

    pub(super) fn tick(&mut self, at_ms: i64) {
        self.core.handle(Mono(at_ms * 1000), CoreEvent::Tick, &mut self.effects);
    }

    /// One frame of the board.
    pub(super) fn frame(&mut self, at_ms: i64, values: &[(u16, f64)]) {
        let samples = values.iter().map(|(channel, value)| sample(*channel, at_ms, *value));
        self.core.handle(Mono(at_ms * 1000), CoreEvent::Samples(samples.collect()), &mut self.effects);
    }

    /// Frames of 10 ms over a stretch of time, by what the three channels show.
    pub(super) fn run(&mut self, ms: std::ops::Range<i64>, show: impl Fn(i64) -> [f64; 3]) {
        for at in ms.step_by(10) {
            let [feed, lift, tilt] = show(at);
            self.frame(at, &[(FEED, feed), (LIFT, lift), (TILT, tilt)]);
            if at % 250 == 0 {
                self.tick(at);
            }
        }
    }

    pub(super) fn announced(&self) -> Vec<String> {
        let said = self.effects.iter().filter_map(|effect| match effect {
            Effect::Notice(Notice::Say(text)) => Some(text.clone()),
            _ => None,
        });
        said.collect()
    }

    fn excursions(&self) -> Vec<&Excursion> {
        let kept = self.effects.iter().filter_map(|effect| match effect {
            Effect::Record(Record::Excursion(excursion)) => Some(&**excursion),
            _ => None,
        });
        kept.collect()
    }

    fn intermittents(&self) -> Vec<&Intermittent> {
        let kept = self.effects.iter().filter_map(|effect| match effect {
            Effect::Record(Record::Intermittent(intermittent)) => Some(&**intermittent),
            _ => None,
        });
        kept.collect()
    }

    fn ticks(&self) -> usize {
        self.effects.iter().filter(|effect| matches!(effect, Effect::Notice(Notice::Tick(_)))).count()
    }

    pub(super) fn judged(&self) -> &Judgement {
        let ended = self.effects.iter().find_map(|effect| match effect {
            Effect::Record(Record::StepEnded(ended)) => ended.capture.as_ref(),
            _ => None,
        });
        &ended.unwrap().judgement
    }
}

pub(super) fn sample(channel: u16, at_ms: i64, value: f64) -> Sample {
    Sample {
        at: Mono(at_ms * 1000),
        channel: ChannelId(channel),
        quantity: if channel == FEED { Quantity::VoltsDc } else { Quantity::AmpsDc },
        value: Value::Number(value),
        u: None,
        decade: Some(-2),
        digit: Some(0.01),
        annunciators: Annunciators::empty(),
    }
}

#[test]
fn a_broken_limit_is_kept_from_begin_to_end_and_said_twice() {
    let mut drive = Drive::new(DRIVE, None);
    drive.run(0..1000, |_| [12.6, 1.62, 0.9]);
    drive.run(1000..1400, |at| [12.1, if at == 1200 { 0.2 } else { 0.8 }, 0.9]);
    drive.run(1400..3000, |_| [12.6, 1.62, 0.9]);
    drive.command(3000, Command::Step(StepMove::Next));
    let kept = drive.excursions();
    assert_eq!(kept.len(), 2, "stored as it begins and as it ends: {kept:?}");
    assert_eq!((kept[0].number, kept[0].began, kept[0].ended), (1, Mono(1_000_000), None));
    let whole = kept[1];
    assert_eq!((whole.number, whole.began, whole.ended), (1, Mono(1_000_000), Some(Mono(1_400_000))));
    assert_eq!((whole.worst, whole.worst_at), (Value::Number(0.2), Mono(1_200_000)));
    assert_eq!(whole.shown, ["feed 12.10 V", "tilt coil 0.90 A"]);
    let said: Vec<String> = drive.announced().into_iter().filter(|text| text.contains("limit")).collect();
    assert_eq!(
        said,
        [
            "lift coil out of limit: 0.80 A, 1.2 A to 1.8 A wanted",
            "lift coil in limit again after 400 ms, worst 0.20 A"
        ]
    );
    assert_eq!(drive.judged().verdict(), Some(Verdict::OutOfLimit));
}

#[test]
fn a_limit_that_flutters_is_kept_each_time_and_said_seldom() {
    let mut drive = Drive::new(DRIVE, None);
    drive.run(0..1000, |_| [12.6, 1.62, 0.9]);
    // Out for half of every 400 ms, for 20 s.
    drive.run(1000..21_000, |at| [12.6, if at % 400 < 200 { 1.15 } else { 1.62 }, 0.9]);
    drive.run(21_000..30_000, |_| [12.6, 1.62, 0.9]);
    drive.command(30_000, Command::Step(StepMove::Next));
    assert_eq!(drive.excursions().iter().filter(|one| one.ended.is_some()).count(), 50);
    let said: Vec<String> = drive.announced().into_iter().filter(|text| text.contains("limit")).collect();
    assert!((4..12).contains(&said.len()), "{said:#?}");
    assert!(said.iter().any(|text| text.contains("more times, worst 1.15 A")), "{said:#?}");
    assert!(drive.judged().reason.ends_with("; 50 excursions, the longest 200 ms"), "{}", drive.judged().reason);
}

#[test]
fn channels_that_fall_together_have_one_cause() {
    let mut drive = Drive::new(DRIVE, None);
    drive.run(0..1000, |_| [12.6, 1.62, 0.9]);
    drive.run(1000..1020, |_| [0.4, 0.0, 0.0]);
    drive.run(1020..2000, |_| [12.6, 1.62, 0.9]);
    drive.frame(2000, &[(FEED, 12.6), (LIFT, 1.62), (TILT, 0.0)]);
    drive.run(2010..9000, |_| [12.6, 1.62, 0.9]);
    drive.command(9000, Command::Step(StepMove::Next));
    let kept = drive.intermittents();
    assert_eq!(kept.len(), 2, "{kept:#?}");
    assert_eq!(kept[0].channels(), ["feed", "lift coil", "tilt coil"]);
    assert_eq!(kept[0].text(), "feed, lift coil and tilt coil dropped out together for 20 ms: upstream of all of them");
    assert_eq!((kept[1].channels(), kept[1].others_held), (vec!["tilt coil"], true));
    assert!(
        drive.judged().reason.ends_with("; 2 drop-outs: feed, lift coil and tilt coil together (1), tilt coil (1)"),
        "{}",
        drive.judged().reason
    );
}

#[test]
fn a_harness_that_is_moved_ticks_at_each_drop_out_and_is_judged_by_their_number() {
    let mut drive = Drive::new(WIGGLE, None);
    drive.run(0..1000, |_| [12.6, 1.62, 0.9]);
    drive.run(1000..9000, |at| [12.6, if at % 2000 == 0 { 0.1 } else { 1.62 }, 0.9]);
    drive.command(9000, Command::End);
    assert_eq!((drive.ticks(), drive.intermittents().len()), (4, 4));
    assert_eq!(drive.judged().verdict(), Some(Verdict::OutOfLimit));
    assert_eq!(drive.judged().reason, "4 drop-outs: lift coil (4) in 9.00 s");
    assert!(
        drive.announced().iter().any(|text| text.starts_with("lift coil dropped out for 10 ms")),
        "{:?}",
        drive.announced()
    );

    let mut good = Drive::new(WIGGLE, None);
    good.run(0..9000, |_| [12.6, 1.62, 0.9]);
    good.command(9000, Command::End);
    assert_eq!((good.judged().verdict(), good.ticks()), (Some(Verdict::InLimit), 0));
    assert_eq!(good.judged().reason, "no drop-out in 9.00 s");

    // Nothing flows: moving the harness proves nothing.
    let mut empty = Drive::new(WIGGLE, None);
    empty.run(0..9000, |_| [0.0, 0.0, 0.0]);
    empty.command(9000, Command::End);
    assert_ne!(empty.judged().verdict(), Some(Verdict::InLimit));
}

#[test]
fn drop_outs_before_a_session_was_cut_off_count_too() {
    let step = PreviousStep {
        name: "move the harness".to_owned(),
        done: false,
        judged: None,
        worst: None,
        watched: PreviousWatch { dropouts: 2, ..PreviousWatch::default() },
    };
    let mut drive = Drive::new(WIGGLE, Some(PreviousSession { id: Uuid::nil(), judgement: 0, steps: vec![step] }));
    drive.run(0..3000, |_| [12.6, 1.62, 0.9]);
    drive.command(3000, Command::End);
    assert_eq!(drive.judged().verdict(), Some(Verdict::OutOfLimit));
    assert_eq!(drive.judged().reason, "2 drop-outs before the session was cut off in 3.00 s");
}

#[test]
fn a_lost_meter_ends_an_excursion() {
    let mut drive = Drive::new(DRIVE, None);
    drive.run(0..1000, |_| [12.6, 0.3, 0.9]);
    drive.core.handle(Mono(1_500_000), CoreEvent::MeterLost(MeterId(0), "unplugged".to_owned()), &mut drive.effects);
    assert_eq!(drive.excursions().last().unwrap().ended, Some(Mono(990_000)));
}

const SELECTOR: &str = r#"
title = "selector"
[[step]]
name = "moves"
when = [
    { change = "feed", going = "down", channel = "lift coil", from = "0.9 A to 1.1 A", to = "at most 50 mA", within = "150 ms" },
    { change = "feed", going = "down", channel = "tilt coil", must = "hold", within = "500 ms" },
]
"#;

const BY_HAND: &str = r#"
title = "selector, by hand"
[[step]]
name = "moves"
when = [{ mark = "drive", channel = "lift coil", to = "at most 50 mA", within = "100 ms" }]
"#;

impl Drive {
    pub(super) fn responses(&self) -> Vec<&TimedResponse> {
        let kept = self.effects.iter().filter_map(|effect| match effect {
            Effect::Record(Record::Response(response)) => Some(&**response),
            _ => None,
        });
        kept.collect()
    }
}

/// A selector that moves again and again, and a coil that falls so long after it.
fn moves(noise: &mut Noise, delays_ms: &[f64], interval_us: i64) -> Drive {
    let mut drive = Drive::new(SELECTOR, None);
    // A slow meter needs as many readings as a fast one.
    let period = 4_000_000 * (interval_us / 50_000).max(1);
    let half = period as f64 / 2.0;
    let jitter = interval_us as f64;
    let starts: Vec<f64> =
        (0..delays_ms.len()).map(|index| half + (period as usize * index) as f64 + jitter * noise.uniform()).collect();
    let end = period / 2 + period * delays_ms.len() as i64;
    for at in (0..end).step_by(interval_us as usize) {
        let is_off = |late: &dyn Fn(usize) -> f64| {
            (0..starts.len()).any(|index| (0.0..half).contains(&(at as f64 - starts[index] - late(index))))
        };
        let values = [
            if is_off(&|_| 0.0) { 0.1 } else { 12.4 } + 0.02 * noise.normal(),
            if is_off(&|index| delays_ms[index] * 1e3) { 0.0 } else { 1.0 } + 0.01 * noise.normal(),
            0.9 + 0.009 * noise.normal(),
        ];
        let samples = (0..).zip(values).map(|(id, value)| Sample { at: Mono(at), ..sample(id, 0, value) });
        drive.core.handle(Mono(at), CoreEvent::Samples(samples.collect()), &mut drive.effects);
    }
    drive.command(end / 1000, Command::End);
    drive
}

/// The synthetic truth: delays of 20 to 500 ms, at 100 samples a second with 1 % of noise, by seed.
#[test]
fn delays_are_found_with_an_error_below_one_sample_interval() {
    for seed in 1..=6 {
        let mut noise = Noise::of_seed(seed);
        let delays: Vec<f64> = (0..8).map(|_| 20.0 + 480.0 * noise.uniform()).collect();
        let drive = moves(&mut noise, &delays, 10_000);
        let responses = drive.responses();
        let found: Vec<f64> =
            responses.iter().filter(|one| one.channel == "lift coil").filter_map(|one| one.delay).collect();
        assert_eq!(found.len(), delays.len(), "seed {seed}: {found:?} and {delays:?}");
        for (found, delay) in found.iter().zip(&delays) {
            assert!((found * 1e3 - delay).abs() < 10.0, "seed {seed}: {found} s, {delay} ms");
        }
        for response in &responses {
            let is_late = response.delay.is_some_and(|delay| delay > 0.150 + 2.0 * response.u.unwrap());
            let is_early = response.delay.is_none_or(|delay| delay < 0.150 - 2.0 * response.u.unwrap());
            match response.judgement.verdict() {
                Some(Verdict::OutOfLimit) => assert!(is_late, "{response:?}"),
                Some(Verdict::InLimit) => assert!(is_early, "{response:?}"),
                other => assert!(other == Some(Verdict::TooCloseToCall) && !is_late && !is_early, "{response:?}"),
            }
        }
        assert_eq!(responses.iter().filter(|one| one.channel == "tilt coil" && one.delay.is_none()).count(), 8);
    }
}

#[test]
fn moves_that_are_repeated_are_matched_and_the_late_one_is_said() {
    let drive = moves(&mut Noise::of_seed(3), &[40.0, 60.0, 420.0, 50.0], 10_000);
    let late = drive.responses().into_iter().find(|one| one.judgement.verdict() == Some(Verdict::OutOfLimit)).unwrap();
    let reason = &late.judgement.reason;
    assert!(reason.starts_with("lift coil fell from ") && reason.contains(" after feed going down"), "{reason}");
    assert!(reason.ends_with("at most 150 ms wanted"), "{reason}");
    assert!(drive.announced().contains(reason), "{:?}", drive.announced());
    let judged = drive.judged();
    assert_eq!(judged.verdict(), Some(Verdict::OutOfLimit));
    assert!(judged.reason.contains("; 3 of 4 in limit, median "), "{}", judged.reason);
}

#[test]
fn a_meter_too_slow_for_the_limit_says_so() {
    let drive = moves(&mut Noise::of_seed(5), &[100.0, 100.0], 330_000);
    let judged: Vec<&str> = drive
        .responses()
        .iter()
        .filter(|one| one.channel == "lift coil")
        .map(|one| one.judgement.reason.as_str())
        .collect();
    assert_eq!(judged.len(), 2);
    assert!(
        judged.iter().all(|reason| reason.ends_with("too close to call: board sends 3 readings a second")),
        "{judged:?}"
    );
}

#[test]
fn a_mark_by_hand_decides_no_finer_than_a_hand() {
    let mut drive = Drive::new(BY_HAND, None);
    drive.run(0..2000, |_| [12.4, 1.0, 0.9]);
    drive.command(2000, Command::Mark { text: "Drive".to_owned(), by: String::new() });
    drive.run(2000..6000, |at| [12.4, if at < 2040 { 1.0 } else { 0.0 }, 0.9]);
    drive.command(6000, Command::Mark { text: "park".to_owned(), by: String::new() });
    drive.command(6000, Command::End);
    let responses = drive.responses();
    assert_eq!(responses.len(), 1, "{responses:?}");
    let reason = &responses[0].judgement.reason;
    assert!(reason.ends_with("too close to call: a mark by hand is good to 300 ms"), "{reason}");
    // Nothing was marked: nothing is in limit.
    let mut idle = Drive::new(BY_HAND, None);
    idle.run(0..2000, |_| [12.4, 1.0, 0.9]);
    idle.command(2000, Command::End);
    assert_eq!(idle.judged().verdict(), Some(Verdict::NoReading));
    assert_eq!(idle.judged().reason, "no mark \"drive\" was seen");
}

#[test]
fn what_does_not_move_or_does_not_hold_is_out_of_limit() {
    let mut stuck = Drive::new(SELECTOR, None);
    stuck.run(0..8000, |at| [if at < 2000 { 12.4 } else { 0.1 }, 1.0, if at < 2100 { 0.9 } else { 0.5 }]);
    stuck.command(8000, Command::End);
    let reasons: Vec<String> = stuck.responses().iter().map(|one| one.judgement.reason.clone()).collect();
    assert!(stuck.responses().iter().all(|one| one.judgement.verdict() == Some(Verdict::OutOfLimit)), "{reasons:?}");
    assert!(
        reasons
            .iter()
            .any(|reason| reason.starts_with("lift coil did not move after feed going down: it stayed at 1.00 A")),
        "{reasons:?}"
    );
    assert!(
        reasons.iter().any(
            |reason| reason.starts_with("tilt coil fell from 0.90 A to 0.50 A") && reason.ends_with("it must hold")
        ),
        "{reasons:?}"
    );
}

const COMES_BACK: &str = r#"
title = "shift"
[[step]]
name = "shift"
when = [{ change = "feed", going = "down", channel = "lift coil", must = "come back", within = "1 s" }]
[[step]]
name = "done"
"#;

/// A valve that is taken off for a shift must be on again soon: in time, too late, not at all, and one that never left.
#[test]
fn what_must_come_back_comes_back_in_time_or_not() {
    for (back, verdict, words) in [
        (2400, Verdict::InLimit, "rose from 0.10 A to 1.00 A, "),
        (4500, Verdict::OutOfLimit, "at most 1.00 s wanted"),
        (100_000, Verdict::OutOfLimit, "and did not come back"),
        (0, Verdict::InLimit, "held at 1.00 A after feed going down"),
    ] {
        let mut drive = Drive::new(COMES_BACK, None);
        let lift = |at: i64| if (2000..back).contains(&at) { 0.1 } else { 1.0 };
        drive.run(0..9000, |at| [if at < 2000 { 12.4 } else { 0.1 }, lift(at), 0.9]);
        drive.command(9000, Command::Step(StepMove::Next));
        let judged = drive.judged();
        assert_eq!(judged.verdict(), Some(verdict), "{back}: {}", judged.reason);
        assert!(judged.reason.contains(words), "{back}: {}", judged.reason);
    }
}

/// Samples that arrive in chunks are dated no better than the chunks: that is in the uncertainty of a delay.
#[test]
fn a_delay_is_no_surer_than_its_samples_are_dated() {
    let run = |chunk: i64| {
        let mut drive = Drive::new(SELECTOR, None);
        for at in (0..8000_i64).step_by(10) {
            let dated = at / chunk * chunk;
            let (feed, lift) = (if at < 2000 { 12.4 } else { 0.1 }, if at < 2100 { 1.0 } else { 0.0 });
            drive.frame(dated, &[(FEED, feed), (LIFT, lift), (TILT, 0.9)]);
        }
        drive.command(8000, Command::End);
        let found = drive.responses().into_iter().find(|one| one.channel == "lift coil").unwrap().u;
        found.unwrap()
    };
    let (even, chunks) = (run(10), run(100));
    assert!(even < 0.006 && chunks > 0.03, "{even} and {chunks}");
}
