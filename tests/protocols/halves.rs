//! Bytes are lost from the middle of one frame to the middle of the next: how often do the two halves pass for a reading that
//! no meter showed?
//!
//! For each shipped protocol: good frames are made from its examples by other digits. Behind forty of one function one is cut off
//! behind a random byte, and a later one goes on from a random byte: when that meter would have sent it (a cable that had no
//! contact), and at once (a computer that was too busy). A reading that is neither one of the first frame nor one of the second
//! is wrong. The same each time; another seed may be given in `BAYLINE_STORM_SEED`, and
//! another count in `BAYLINE_STORM_FRAMES`. `cargo test --test protocol-halves -- --nocapture` prints the table
//! that protocols/README.md quotes.

use std::{env, sync::Arc, time::Duration};

use bayline::protocol::{Decoded, Engine, Library, Protocol, Reading, RequestId};

const TRIALS: usize = 2_000;

/// The slowest pace of meters and boards that is usual is two frames a second, the fastest some hundreds. A quarter of a second is
/// between the frames of handheld meters: common practice, no source.
const BETWEEN_FRAMES: Duration = Duration::from_millis(250);

/// A board has sent so many lines when bytes are lost.
const BEFORE: usize = 40;

/// Different frames of one form.
const FRAMES_OF_A_FORM: usize = 500;

/// How often it may happen with a pause and without one, per cent, as measured with 20,000 trials; never where nothing is said.
/// Halves of a board's lines that were cut at the same place of the same number can't be known, and a sum or an exclusive or is
/// right by chance once in 256 times.
const MOST: [(&str, [f64; 2]); 18] = [
    ("columns", [0.24, 10.02]),
    ("columns-ms", [0.00, 13.45]),
    ("columns-s", [0.00, 12.58]),
    ("columns-us", [0.00, 11.53]),
    ("j1979-text", [2.00, 2.00]),
    ("json", [0.00, 1.00]),
    ("json-numbered", [0.00, 0.67]),
    ("lcd-mirror-14", [0.00, 1.75]),
    ("nmea-0183", [0.10, 0.10]),
    ("number", [0.00, 42.96]),
    ("pairs", [0.00, 4.86]),
    ("pairs-numbered", [0.28, 0.28]),
    ("report-11", [0.00, 4.15]),
    ("report-14", [0.00, 4.03]),
    ("report-14-sign", [0.00, 3.91]),
    ("scpi", [0.00, 47.15]),
    ("text-14", [0.00, 1.10]),
    ("text-14-polled", [0.00, 1.10]),
];

/// Numbers without pattern: xorshift64* (Vigna 2016).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    fn below(&mut self, bound: usize) -> usize {
        (self.roll() >> 33) as usize % bound
    }
}

fn setting(name: &str, usual: u64) -> u64 {
    env::var(name).ok().map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name} is no number")))
}

/// A good frame, and the request that it answers.
#[derive(Clone)]
struct Good {
    request: Option<RequestId>,
    bytes: Vec<u8>,
}

/// What a frame alone gives; none where it is refused or no single frame.
fn alone(protocol: &Arc<Protocol>, good: &Good) -> Option<Vec<Reading>> {
    let (mut engine, mut out) = (Engine::new(protocol.clone()), Decoded::default());
    engine.set_request(good.request);
    engine.push(&good.bytes, &mut out);
    let is_good = out.problems.is_empty() && out.frames.len() == 1 && !out.readings.is_empty();
    is_good.then_some(out.readings)
}

/// The single frames of a protocol's examples.
fn templates(protocol: &Arc<Protocol>) -> Vec<Good> {
    let mut found = Vec::new();
    for example in protocol.examples().iter().filter(|example| example.refused.is_none() && !example.after_connecting) {
        for piece in &example.pieces {
            let mut begin = 0;
            let (mut engine, mut out) = (Engine::new(protocol.clone()), Decoded::default());
            engine.set_request(piece.request);
            for (at, byte) in piece.bytes.iter().enumerate() {
                engine.push(&[*byte], &mut out);
                if !out.frames.is_empty() || !out.problems.is_empty() {
                    let good = Good { request: piece.request, bytes: piece.bytes[begin..=at].to_vec() };
                    begin = at + 1;
                    if alone(protocol, &good).is_some() {
                        found.push(good);
                    }
                    out.clear();
                }
            }
        }
    }
    found
}

/// The same frame with other digits, where it is a good one too.
fn varied(protocol: &Arc<Protocol>, template: &Good, dice: &mut Dice) -> Good {
    for _ in 0..8 {
        let mut other = template.clone();
        for byte in other.bytes.iter_mut().filter(|byte| byte.is_ascii_digit()) {
            if dice.below(2) == 0 {
                *byte = b'0' + dice.below(10) as u8;
            }
        }
        if alone(protocol, &other).is_some() {
            return other;
        }
    }
    template.clone()
}

/// How many of the trials gave a reading that no frame held.
fn wrong(protocol: &Arc<Protocol>, seed: u64, trials: usize, pause: Duration) -> usize {
    let templates = templates(protocol);
    assert!(!templates.is_empty(), "{}", protocol.name);
    // A board sends lines of one form; a meter's knob may be turned between two frames.
    let is_board = ["columns", "pairs", "json"].iter().any(|kind| protocol.name.starts_with(kind));
    let mut dice = Dice(seed);
    // Good frames of each form.
    let frames: Vec<Vec<Good>> = templates
        .iter()
        .map(|template| (0..FRAMES_OF_A_FORM).map(|_| varied(protocol, template, &mut dice)).collect())
        .collect();
    let mut wrong = 0;
    for _ in 0..trials {
        let one = dice.below(frames.len());
        let turned = dice.below(2) == 0;
        let next = if is_board || turned { one } else { dice.below(frames.len()) };
        let mut frame = |form: usize| &frames[form][dice.below(FRAMES_OF_A_FORM)];
        let (mut engine, mut out) = (Engine::new(protocol.clone()), Decoded::default());
        for _ in 0..BEFORE {
            let before = frame(one);
            engine.set_request(before.request);
            engine.paused(BETWEEN_FRAMES, &mut out);
            engine.push(&before.bytes, &mut out);
        }
        let (first, second) = (frame(one), frame(next));
        let shown = [first, second].map(|good| alone(protocol, good).expect("it was checked"));
        let (end, begin) = (1 + dice.below(first.bytes.len() - 1), 1 + dice.below(second.bytes.len() - 1));
        out.clear();
        engine.set_request(first.request);
        engine.paused(BETWEEN_FRAMES, &mut out);
        engine.push(&first.bytes[..end], &mut out);
        engine.paused(pause, &mut out);
        engine.push(&second.bytes[begin..], &mut out);
        let is_shown = |reading: &Reading| {
            shown.iter().flatten().any(|known| {
                (known.name, known.function, known.value, known.annunciators)
                    == (reading.name, reading.function, reading.value, reading.annunciators)
            })
        };
        wrong += usize::from(!out.readings.iter().all(is_shown));
    }
    wrong
}

#[test]
fn halves_of_two_frames_make_no_reading() {
    let (seed, trials) = (setting("BAYLINE_STORM_SEED", 0x5eed), setting("BAYLINE_STORM_FRAMES", TRIALS as u64));
    let library = Library::default();
    let mut too_often = Vec::new();
    for listed in library.all().0 {
        let protocol = library.find(&listed.name).unwrap();
        let shares = [BETWEEN_FRAMES, Duration::ZERO].map(|pause| {
            let wrong = wrong(&protocol, seed, trials as usize, pause);
            100.0 * wrong as f64 / trials as f64
        });
        println!("{:18} {:6.2} % {:6.2} %", protocol.name, shares[0], shares[1]);
        let most = MOST.iter().find(|(name, _)| *name == protocol.name).map_or([0.0; 2], |(_, most)| *most);
        for (share, most) in shares.into_iter().zip(most) {
            // Three standard deviations of a share that is counted (binomial).
            let most = most + 300.0 * (most / 100.0 * (1.0 - most / 100.0) / trials as f64).sqrt();
            if share > most {
                too_often.push(format!("{}: {share} % of {trials}, at most {most:.2} %", protocol.name));
            }
        }
    }
    assert!(too_often.is_empty(), "{too_often:#?}");
}
