//! Plays a sound and a faulty machine through each procedure that ships: bytes as the meters of its bench send them go
//! through the same meters, core and judging as in the daemon. What a good or bad machine shows is common practice, no source.

use std::{collections::BTreeMap, fs, sync::Arc, time::Duration};

use bayline::{
    channel::{Batch, Bench, ChannelIds, Meter, MeterId},
    clock::{Mono, Wall},
    procedure::{CaptureMode, Procedure, ResponseTrigger, YesNo},
    protocol::Library,
    session::{Begin, Command, Core, CoreEvent, Effect, Notice, StepMove, Visit},
};
use uuid::Uuid;

use crate::{BENCHES, file, procedure};

/// How long each step is fed, ms: longer than most steps wait.
const FED_MS: i64 = 16_000;

/// Between two steps an operator walks, and a starter or a coil cools, ms.
const PAUSE_MS: i64 = 180_000;

/// Lines of the meters of one bench, by the place of the meter.
type Lines = Vec<String>;

/// A board prints its columns alike in every line, here with three decimals.
fn board_line(text: &str) -> String {
    let printed = text.split(',').map(|cell| match cell.trim().parse::<f64>() {
        Ok(number) => format!("{number:.3}"),
        Err(_) => cell.trim().to_owned(),
    });
    printed.collect::<Vec<_>>().join(", ")
}

struct Player {
    core: Core,
    meters: Vec<Meter>,
    effects: Vec<Effect>,
    /// ms
    now: i64,
    /// By step: its newest verdict, and the reason.
    judged: BTreeMap<String, (String, String)>,
    step: String,
    procedure: Arc<Procedure>,
}

impl Player {
    fn new(name: &str) -> Self {
        let (_, bench) = BENCHES.iter().find(|(procedure, _)| *procedure == name).unwrap();
        let text = fs::read_to_string(file("benches", bench)).unwrap();
        let bench = Bench::parse("bench.toml", &text, &Library::new(Vec::new())).unwrap();
        let mut core = Core::new(bench.meters.iter().map(|meter| meter.name.clone()));
        let ids = ChannelIds::default();
        let (mut meters, mut effects) = (Vec::new(), Vec::new());
        for (place, spec) in (0..).zip(&bench.meters) {
            let (meter, channels) = Meter::new(MeterId(place), spec, &ids);
            for (id, channel) in channels {
                core.handle(Mono(0), CoreEvent::Channel(id, channel), &mut effects);
            }
            meters.push(meter);
        }
        let procedure = Arc::new(procedure(name));
        let begin = Begin {
            id: Uuid::nil(),
            wall: Wall(0),
            visit: Visit { part_celsius: Some(25.0), ..Visit::default() },
            procedure: Some(procedure.clone()),
            bench: String::new(),
            retests: None,
            previous: None,
        };
        core.command(Mono(0), Command::Begin(begin), &mut effects).unwrap();
        let mut player =
            Self { core, meters, effects, now: 0, judged: BTreeMap::new(), step: String::new(), procedure };
        player.look();
        player
    }

    /// Takes what was announced.
    fn look(&mut self) {
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Notice(Notice::Step(view)) => self.step = view.name.clone(),
                Effect::Notice(Notice::Judged { step, judgement }) => {
                    let verdict = judgement.as_ref().and_then(|judgement| judgement.verdict());
                    let verdict = verdict.map_or("-".to_owned(), |verdict| verdict.word().to_owned());
                    self.judged.insert(step, (verdict, judgement.map_or(String::new(), |judgement| judgement.reason)));
                }
                _ => {}
            }
        }
    }

    fn command(&mut self, command: Command) -> bool {
        let done = self.core.command(Mono(self.now * 1000), command, &mut self.effects).is_ok();
        self.look();
        done
    }

    /// Feeds each meter its line ten times a second, a handheld one three times.
    fn feed(&mut self, lines: &Lines, ms: i64) {
        for tick in 0..ms / 100 {
            self.now += 100;
            for (place, line) in lines.iter().enumerate().filter(|(_, line)| !line.is_empty()) {
                if line.contains(',') || tick % 3 == 0 {
                    let mut batch = Batch::default();
                    let line = if line.contains(',') { &board_line(line) } else { line };
                    self.meters[place].take(format!("{line}\r\n").as_bytes(), Mono(self.now * 1000), &mut batch);
                    assert!(batch.events.is_empty(), "{line}: {:?}", batch.events);
                    self.core.handle(Mono(self.now * 1000), CoreEvent::Samples(batch.samples), &mut self.effects);
                }
            }
            self.core.handle(Mono(self.now * 1000), CoreEvent::Tick, &mut self.effects);
            self.look();
        }
    }

    /// Feeds lines that change: `a ~> b` shows each for 1.5 s in turn, `a ~! b` shows `b` for a single reading now and then. Where the
    /// step waits for marks, the operator marks each time when the first has gone by.
    fn feed_phases(&mut self, step: &str, lines: &Lines, ms: i64) {
        let once = lines.iter().any(|line| line.contains("~!"));
        let parts: Vec<Vec<String>> = lines
            .iter()
            .map(|line| line.split(if once { "~!" } else { "~>" }).map(|part| part.trim().to_owned()).collect())
            .collect();
        let phases = parts.iter().map(Vec::len).max().unwrap_or(1);
        if phases < 2 {
            return self.feed(lines, ms);
        }
        let own = self.procedure.steps.iter().find(|own| own.name == step).unwrap();
        let by_mark = own.responses.iter().any(|rule| matches!(rule.trigger, ResponseTrigger::Mark(_)));
        let end = self.now + ms;
        while self.now < end {
            for phase in 0..phases {
                if by_mark && phase == 1 {
                    assert!(self.command(Command::Mark { text: String::new(), by: String::new() }));
                }
                let shown = parts.iter().map(|part| part.get(phase).unwrap_or(&part[0]).clone()).collect();
                self.feed(&shown, if once && phase == 1 { 100 } else { 1500 });
            }
        }
    }

    /// Does one step with what the meters show, or an answer.
    fn play(&mut self, step: &str, idle: &Lines, shown: &Lines) {
        if self.step != step {
            assert!(self.command(Command::Step(StepMove::Named(step.to_owned()))), "{step}");
        }
        match shown[0].parse::<YesNo>() {
            Ok(answer) => assert!(self.command(Command::Answer(answer)), "{step}"),
            Err(_) => {
                let lines: Lines =
                    shown.iter().map(|line| if line == "-" { String::new() } else { line.clone() }).collect();
                let long = if self.steady(step) >= Duration::from_secs(60) { 80_000 } else { FED_MS };
                self.feed_phases(step, &lines, long);
                if self.mode(step) == CaptureMode::Taken {
                    // Refused where there is nothing to take.
                    self.command(Command::Take(None));
                }
            }
        }
        // The lead is lifted, the machine comes to rest, and what was on cools.
        let lifted = if shown[0].contains("ohm") { "OL ohm" } else { "0.000 V" };
        let first = if idle[0].is_empty() { lifted } else { &idle[0] };
        self.feed(&[vec![first.to_owned()], idle[1..].to_vec()].concat(), 1000);
        self.now += PAUSE_MS;
    }

    fn mode(&self, step: &str) -> CaptureMode {
        self.procedure.steps.iter().find(|own| own.name == step).unwrap().capture
    }

    fn steady(&self, step: &str) -> Duration {
        self.procedure.steps.iter().find(|own| own.name == step).unwrap().steady
    }
}

/// What one machine shows: lines `step | probe | other meters … | verdict`, with `-` for a lead that touches nothing.
fn play(name: &str, idle: &[&str], machine: &str) {
    let owned = |lines: &[&str]| lines.iter().map(|line| (*line).to_owned()).collect::<Lines>();
    let mut player = Player::new(name);
    let mut expected = Vec::new();
    for line in machine.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let [step, shown @ .., verdict] = &cells[..] else { panic!("{line}") };
        let mut shown = owned(shown);
        for (place, rest) in idle.iter().enumerate().skip(shown.len()) {
            assert!(place > 0);
            shown.push((*rest).to_owned());
        }
        player.play(step, &owned(idle), &shown);
        expected.push((*step, *verdict));
    }
    player.command(Command::End);
    for (step, verdict) in &expected {
        let (found, reason) = player.judged.get(*step).unwrap_or_else(|| panic!("{name}: {step} was not judged"));
        assert_eq!(found, verdict, "{name}: {step}: {reason}");
    }
    // Every step was played.
    let all: Vec<String> = procedure(name).steps.into_iter().map(|step| step.name).collect();
    for step in all {
        assert!(expected.iter().any(|(played, _)| *played == step), "{name}: {step} was not played");
    }
}

/// The lines of one coil, its name put in.
fn of_coil(name: &str, lines: &str) -> String {
    lines.replace("COIL", name)
}

// Of the valve block's board: coil clamp 0.1 V/A, supply clamp 10 mV/A, a tenth of the battery, volts of the ground.
const VALVES_IDLE: [&str; 2] = ["", "0.0, 0.0, 1.261, 0.0"];

#[test]
fn valve_coils() {
    let good = "plug, COIL coil | yes | in limit
        ohms, COIL coil | 7.60 ohm | in limit
        ohms, leads exchanged, COIL coil | 7.62 ohm | in limit
        to case, COIL coil | OL ohm | in limit
        feed pin, driver off, COIL coil | 0.030 V | in limit
        feed, COIL coil | 12.58 V | in limit
        volts across, COIL coil | 12.20 V | 0.160, 0.016, 1.255, 0.01 | in limit
        amps held on, COIL coil | - | 0.160, 0.016, 1.255, 0.01 | in limit
        feed under load, COIL coil | 12.36 V | 0.160, 0.016, 1.255, 0.01 | in limit
        ground side drop, COIL coil | 45.0 mV | 0.160, 0.016, 1.255, 0.01 | in limit
        feed pin drop, COIL coil | 12.0 mV | 0.160, 0.016, 1.255, 0.01 | in limit
        ground pin drop, COIL coil | 10.0 mV | 0.160, 0.016, 1.255, 0.01 | in limit
        ";
    let around = |coils: &str, all: &str, tested: &str| {
        format!(
            "battery | - | in limit\nleads together | 0.20 ohm | in limit\n{coils}\n\
             cross-check, all coils on | - | {all}\nrefitted and tested again | {tested}"
        )
    };
    let coils = of_coil("raise", good) + &of_coil("lower", good);
    let sound = around(&coils, "0.0, 0.032, 1.25, 0.03 | in limit", "yes | in limit");
    play("valve-coils-at-the-connector", &VALVES_IDLE, &sound);

    // The raise coil is sound behind a bad feed, a bad ground and a burnt pin: its amps are what its volts let through. The lower
    // coil has shorted turns and leaks, and its feed pin is fed from elsewhere.
    let raise = "plug, raise coil | no | out of limit
        ohms, raise coil | 7.60 ohm | in limit
        ohms, leads exchanged, raise coil | 7.62 ohm | in limit
        to case, raise coil | OL ohm | in limit
        feed pin, driver off, raise coil | 0.030 V | in limit
        feed, raise coil | 12.58 V | in limit
        volts across, raise coil | 10.40 V | 0.136, 0.016, 1.255, 0.15 | out of limit
        amps held on, raise coil | - | 0.136, 0.016, 1.255, 0.15 | in limit
        feed under load, raise coil | 10.90 V | 0.136, 0.016, 1.255, 0.15 | out of limit
        ground side drop, raise coil | 500.0 mV | 0.136, 0.016, 1.255, 0.15 | out of limit
        feed pin drop, raise coil | 350.0 mV | 0.136, 0.016, 1.255, 0.15 | out of limit
        ground pin drop, raise coil | 10.0 mV | 0.136, 0.016, 1.255, 0.15 | in limit
        ";
    let lower = "plug, lower coil | yes | in limit
        ohms, lower coil | 5.20 ohm | out of limit
        ohms, leads exchanged, lower coil | 4.10 ohm | out of limit
        to case, lower coil | 400 kohm | out of limit
        feed pin, driver off, lower coil | 3.20 V | out of limit
        feed, lower coil | 11.90 V | out of limit
        volts across, lower coil | 12.20 V | 0.235, 0.024, 1.255, 0.01 | in limit
        amps held on, lower coil | - | 0.300, 0.024, 1.255, 0.01 | out of limit
        feed under load, lower coil | 12.36 V | 0.235, 0.024, 1.255, 0.01 | in limit
        ground side drop, lower coil | 45.0 mV | 0.0, 0.0, 1.255, 0.0 | no load current
        feed pin drop, lower coil | 12.0 mV | 0.235, 0.024, 1.255, 0.01 | in limit
        ground pin drop, lower coil | 90.0 mV | 0.235, 0.024, 1.255, 0.01 | out of limit
        ";
    let faulty = around(&format!("{raise}{lower}"), "0.0, 0.035, 1.25, 0.17 | out of limit", "no | out of limit");
    play("valve-coils-at-the-connector", &VALVES_IDLE, &faulty);
}

#[test]
fn feed_drop() {
    let idle = ["", "0.0, 0.05, 1.25, 0.0"];
    play(
        "feed-drop-under-load",
        &idle,
        "leads together | 0.5 mV | in limit
        whole feed | 210.0 mV | in limit
        battery post to its clamp | 4.0 mV | in limit
        battery to fuse box | 80.0 mV | in limit
        across the fuse | 30.0 mV | in limit
        across relay or switch | 60.0 mV | in limit
        fuse box to load | 36.0 mV | in limit
        whole feed, again | 210.5 mV | in limit
        load's ground | 40.0 mV | in limit",
    );
    play(
        "feed-drop-under-load",
        &idle,
        "leads together | 9.0 mV | out of limit
        whole feed | 0.900 V | out of limit
        battery post to its clamp | 90.0 mV | out of limit
        battery to fuse box | 80.0 mV | in limit
        across the fuse | 30.0 mV | in limit
        across relay or switch | 0.600 V | out of limit
        fuse box to load | 36.0 mV | in limit
        whole feed, again | 0.910 V | out of limit
        load's ground | 40.0 mV | 0.0, 0.0, 1.26, 0.0 | no load current",
    );
}

#[test]
fn shared_ground() {
    let machine = |ground: &str, engine: &str, battery: &str, verdict: &str| {
        let on = format!("0.0, 0.2, {battery}");
        format!(
            "everything off | - | 0.0, 0.0, 1.261, 0.002 | in limit
            everything running | - | {on}, {ground} | {verdict}
            for each ampere | - | {on}, {ground} | {verdict}
            everything running, engine on | - | {on}, {engine} | {verdict}
            everything worked | - | {on}, {ground} | {verdict}
            supply while everything runs | - | {on}, 0.06 | {verdict}"
        )
    };
    let name = "shared-ground-drop-with-everything-running";
    play(name, &VALVES_IDLE, &machine("0.060", "-0.055", "1.23", "in limit"));
    play(name, &VALVES_IDLE, &machine("0.150", "-0.341", "1.12", "out of limit"));
}

#[test]
fn module_feed_and_ground() {
    let machine = |lines: [(&str, &str); 6], pins: &str| {
        let lamp = "0.17, 0.02, 1.24, 0.0";
        let steps = [
            "feed pin: B1",
            "feed pin: B2",
            "ground pin: G1",
            "ground pin: G2",
            "feed while cranking",
            "ground while cranking",
        ];
        let lines =
            steps.iter().zip(lines).map(|(step, (probe, verdict))| format!("{step} | {probe} | {lamp} | {verdict}\n"));
        lines.collect::<String>() + &format!("pins of the plug | {pins}")
    };
    let name = "module-feed-and-ground-under-load";
    let good = "in limit";
    let sound = machine(
        [
            ("90.0 mV", good),
            ("110.0 mV", good),
            ("20.0 mV", good),
            ("25.0 mV", good),
            ("150.0 mV", good),
            ("30.0 mV", good),
        ],
        "yes | in limit",
    );
    play(name, &VALVES_IDLE, &sound);
    let bad = "out of limit";
    let faulty = machine(
        [
            ("90.0 mV", good),
            ("0.850 V", bad),
            ("20.0 mV", good),
            ("280.0 mV", bad),
            ("0.900 V", bad),
            ("310.0 mV", bad),
        ],
        "no | out of limit",
    );
    play(name, &VALVES_IDLE, &faulty);
}

#[test]
fn current_control() {
    // Half a volt at rest and 0.2 V for each ampere: 0.25, 0.60 and 1.20 A.
    let machine = |[residue, smallest, half, full, overlap]: [(&str, &str); 5]| {
        format!(
            "residue, raise valve | {}, 0.500 | {}
            smallest command, raise valve | {}, 0.500 | {}
            half command, raise valve | {}, 0.500 | {}
            full command, raise valve | {}, 0.500 | {}
            overlap, lower valve while raising | 0.620, {} | {}
            residue again, raise valve | {}, 0.500 | {}",
            residue.0,
            residue.1,
            smallest.0,
            smallest.1,
            half.0,
            half.1,
            full.0,
            full.1,
            overlap.0,
            overlap.1,
            residue.0,
            residue.1
        )
    };
    let name = "current-control-of-a-switched-valve";
    let (good, bad) = ("in limit", "out of limit");
    play(
        name,
        &["0.500, 0.500"],
        &machine([("0.502", good), ("0.550", good), ("0.620", good), ("0.740", good), ("0.502", good)]),
    );
    play(
        name,
        &["0.500, 0.500"],
        &machine([("0.530", bad), ("0.540", bad), ("0.590", bad), ("0.690", bad), ("0.560", bad)]),
    );
}

#[test]
fn insulation() {
    let name = "insulation-of-a-coil";
    let machine = |free: &str, ohms: [&str; 4]| {
        let steps = [
            "coil to case: raise coil",
            "coil to case: lower coil",
            "coil to case, hot: raise coil hot",
            "coil to case, hot: lower coil hot",
        ];
        let lines = steps.iter().zip(ohms).map(|(step, shown)| format!("{step} | {shown}\n"));
        format!("both ends free | {free}\n") + &lines.collect::<String>()
    };
    let sound = machine(
        "yes | in limit",
        ["OL ohm | in limit", "OL ohm | in limit", "22.00 Mohm | in limit", "OL ohm | in limit"],
    );
    play(name, &VALVES_IDLE, &sound);
    let faulty = machine(
        "no | out of limit",
        ["OL ohm | in limit", "0.60 Mohm | out of limit", "150 kohm | out of limit", "3 kohm | out of limit"],
    );
    play(name, &VALVES_IDLE, &faulty);
}

// Of the vehicle's board: a tenth of the battery, volts of the ground, large clamp 1 mV/A, draw 1 V/A.
const VEHICLE_IDLE: [&str; 3] = ["", "1.262, 0.0, 0.0, 0.0", ""];

#[test]
fn battery_and_cranking() {
    let name = "battery-and-cranking-drop";
    let machine = |rest: &str, crank: &str, probes: [&str; 6], verdict: &str| {
        let [positive, solenoid, trigger, first, second, amps] = probes;
        format!(
            "battery at rest | - | {rest} | {verdict}
            battery while cranking | - | {crank} | {verdict}
            positive side while cranking | {positive} | {crank} | {verdict}
            solenoid contacts while cranking | {solenoid} | {crank} | {verdict}
            trigger volts while cranking | {trigger} | {crank} | {verdict}
            negative side while cranking | - | {crank} | {verdict}
            amps while cranking | - | {crank} | {amps}
            24 V set: first battery while cranking | {first} | {crank} | {verdict}
            24 V set: second battery while cranking | {second} | {crank} | {verdict}"
        )
    };
    let sound = ["0.350 V", "0.100 V", "10.20 V", "10.50 V", "10.40 V", "-"];
    play(name, &VEHICLE_IDLE, &machine("1.265, 0.0, 0.0, 0.0", "1.05, 0.12, 0.15, 0.0", sound, "in limit"));
    let faulty = ["1.200 V", "0.600 V", "7.00 V", "8.50 V", "10.40 V", "-"];
    play(name, &VEHICLE_IDLE, &machine("1.19, 0.0, 0.0, 0.0", "0.89, 0.5, 0.15, 0.0", faulty, "out of limit"));
}

#[test]
fn charging() {
    for (name, factor) in [("charging-system-12v", 1.0), ("charging-system-24v", 2.0)] {
        let machine = |volts: [f64; 4], probes: [&str; 3], verdict: &str| {
            let board = |volts: f64| format!("{:.3}, 0.0, 0.06, 0.0", volts * factor / 10.0);
            let [rest, charging, loaded, idle] = volts.map(board);
            let [positive, negative, ripple] = probes;
            format!(
                "battery at rest | - | {rest} | {verdict}
                charging, nothing switched on | - | {charging} | {verdict}
                charging, everything switched on | - | {loaded} | {verdict}
                positive side drop | {positive} | {loaded} | {verdict}
                negative side drop | {negative} | {loaded} | {verdict}
                output amps | - | {loaded} | -
                charging at idle, everything on | - | {idle} | {verdict}
                ripple | {ripple} | {loaded} | {verdict}"
            )
        };
        let idle = ["", "1.262, 0.0, 0.0, 0.0", ""];
        play(name, &idle, &machine([12.65, 14.2, 14.0, 13.6], ["0.150 V", "0.050 V", "0.050 V AC"], "in limit"));
        play(name, &idle, &machine([11.9, 12.6, 12.3, 12.1], ["0.900 V", "0.600 V", "1.300 V AC"], "out of limit"));
    }
}

#[test]
fn key_off_draw() {
    let name = "key-off-draw-after-everything-sleeps";
    let fuses = |shown: &str| {
        (1..=12)
            .map(|fuse| format!("across the fuse: F{fuse} | - | 1.26, 0.0, 0.0, 0.02 | {shown}\n"))
            .collect::<String>()
    };
    let machine = |draw: &str, zero: &str, battery: &str, fuse: &str| {
        format!(
            "put it to sleep | - | -
            draw asleep | - | {draw}
            zero after an hour | {zero}
            wake-ups | - | 1.26, 0.0, 0.0, 0.02 | -
            battery after the wait | - | {battery}
            {}",
            fuses(fuse)
        )
    };
    let sound = machine(
        "1.26, 0.0, 0.0, 0.020 | in limit",
        "yes | in limit",
        "1.262, 0.0, 0.0, 0.02 | in limit",
        "0.05 mV | in limit",
    );
    play(name, &VEHICLE_IDLE, &sound);
    let faulty = machine(
        "1.26, 0.0, 0.0, 0.300 | out of limit",
        "no | out of limit",
        "1.19, 0.0, 0.0, 0.3 | out of limit",
        "1.40 mV | out of limit",
    );
    play(name, &VEHICLE_IDLE, &faulty);
}

#[test]
fn programming() {
    let name = "supply-while-a-control-module-is-programmed";
    let machine = |board: &str, ripple: &str, pins: &str, verdict: &str| {
        format!(
            "before it starts | - | {board} | {verdict}
            ripple before it starts | {ripple} | {board} | {verdict}
            ground before it starts | - | {board} | {verdict}
            at the module's own pins | {pins} | {board} | {verdict}
            amps of the supply | - | {board} | -
            while it is written | - | {board} | {verdict}
            after it is done | - | {board} | {verdict}"
        )
    };
    play(
        name,
        &["", "1.35, 0.02, 0.012, 0.0", ""],
        &machine("1.35, 0.02, 0.012, 0.0", "0.020 V AC", "13.45 V", "in limit"),
    );
    play(name, &VEHICLE_IDLE, &machine("1.27, 0.25, 0.012, 0.0", "0.500 V AC", "11.20 V", "out of limit"));
}

// Of the fast board: selector wire and supply a tenth of the volts, currents 0.1 V/A.
const PARK: &str = "1.24, 0.100, 0.050, 0.0, 1.40";
const DRIVE: &str = "0.01, 0.0, 0.050, 0.080, 1.40";

#[test]
fn selector_moves() {
    let name = "selector-moves-in-the-bay";
    let machine = |rest: &str, park: &str, moves: &str, marked: &str, loaded: &str, verdict: &str| {
        format!(
            "supply before it begins | {rest} | {verdict}
            current in park | {park} | {verdict}
            moves by the selector's wire | {moves} | {verdict}
            moves by mark | {marked} | {verdict}
            supply meanwhile | {loaded} | {verdict}"
        )
    };
    let moves = format!("{PARK} ~> {DRIVE}");
    play(name, &[PARK], &machine(PARK, PARK, &moves, &moves, PARK, "in limit"));
    // The current stays for a second and a half after the wire has moved, and the supply sags.
    let late = format!("{PARK} ~> 0.01, 0.100, 0.050, 0.080, 1.40 ~> {DRIVE}");
    let low = "1.24, 0.060, 0.050, 0.0, 1.22";
    play(name, &[PARK], &machine(low, low, &late, &late, low, "out of limit"));
}

#[test]
fn gear_changes() {
    let name = "gear-changes-on-the-road";
    let machine = |ready: &str, standing: &str, changes: &str, home: &str, verdict: &str| {
        format!(
            "ready to drive | {ready} | {verdict}
            standing, before the drive | {standing} | {verdict}
            gear changes | {changes} | {verdict}
            supply on the drive | {home} | {verdict}"
        )
    };
    let first = "0.01, 0.050, 0.050, 0.0, 1.40";
    let good = format!("{first} ~> 0.01, 0.065, 0.050, 0.080, 1.40");
    play(name, &[first], &machine("yes", first, &good, first, "in limit"));
    // The lock-up current falls with each change.
    let bad = format!("{first} ~> 0.01, 0.065, 0.020, 0.080, 1.40");
    let low = "0.01, 0.050, 0.050, 0.0, 1.22";
    play(name, &[first], &machine("no", low, &bad, low, "out of limit"));
}

#[test]
fn wiggle() {
    let name = "wiggle-at-the-connector";
    let places = ["plug of the coil", "harness along the boom", "plug at the module", "fuse and relay"];
    let machine = |flows: &str, shown: &str, verdict: &str| {
        let steps = places.map(|place| format!("wiggle: {place} | - | {shown} | {verdict}\n")).concat();
        format!("current flows | - | {flows} | {verdict}\n{steps}heat and cold | - | {shown} | {verdict}")
    };
    let on = "0.160, 0.016, 1.255, 0.01";
    play(name, &VALVES_IDLE, &machine(on, on, "in limit"));
    let loose = format!("{on} ~! 0.001, 0.016, 1.255, 0.01");
    play(name, &VALVES_IDLE, &machine("0.030, 0.016, 1.255, 0.01", &loose, "out of limit"));
}

#[test]
fn hot_and_cold() {
    let name = "hot-and-cold";
    let on = "0.160, 0.016, 1.255, 0.01";
    play(
        name,
        &VALVES_IDLE,
        &format!(
            "ohms cold | 7.60 ohm | in limit
            volts cold | 12.20 V | {on} | in limit
            amps cold | - | {on} | in limit
            wiggle hot | - | {on} | in limit
            ohms hot | 7.62 ohm | in limit
            volts hot | 12.20 V | {on} | in limit
            amps hot | - | {on} | in limit"
        ),
    );
    // Sound while cold; hot, its turns short, its plug is loose, and less flows than its volts would let through.
    let hot = "0.120, 0.016, 1.255, 0.01";
    play(
        name,
        &VALVES_IDLE,
        &format!(
            "ohms cold | 7.60 ohm | in limit
            volts cold | 12.20 V | {on} | in limit
            amps cold | - | {on} | in limit
            wiggle hot | - | {on} ~! 0.001, 0.016, 1.255, 0.01 | out of limit
            ohms hot | 5.20 ohm | out of limit
            volts hot | 12.90 V | {hot} | out of limit
            amps hot | - | {hot} | out of limit"
        ),
    );
}
