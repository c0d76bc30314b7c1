//! A million random and damaged frames through each shipped protocol: no panic, no number that is
//! none, no memory without bound.
//!
//! The frames are the same each time; another seed may be given in `BAYLINE_STORM_SEED`, and
//! another count in `BAYLINE_STORM_FRAMES`.

use std::{env, sync::Arc, thread};

use bayline::protocol::{Decoded, Engine, Example, Library, Protocol, RequestId, Value};

const FRAMES: u64 = 1_000_000;

/// Readings of one frame and the memory of one engine stay below these.
const MOST_NAMES: usize = 256;
const MOST_READINGS: usize = 4096;

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

/// What an example sends, piece by piece: a talk stays in its order.
type Pieces = Vec<(Option<RequestId>, Vec<u8>)>;

/// A frame near to what the protocol expects, or far from it.
fn frame(dice: &mut Dice, pieces: &Pieces, turn: usize, bytes: &mut Vec<u8>) -> Option<RequestId> {
    bytes.clear();
    let &(mut request, ref example) = &pieces[turn];
    if dice.below(8) == 0 {
        request = pieces[dice.below(pieces.len())].0;
    }
    match dice.below(8) {
        0 => bytes.extend((0..dice.below(48)).map(|_| dice.roll() as u8)),
        1 => {
            let letters = b"0123456789+-.,;:=eE\"{}[] \t\r\nOLnaifV*$>\xb0\xff\x00\xc0\xdb";
            bytes.extend((0..dice.below(48)).map(|_| letters[dice.below(letters.len())]));
        }
        how => {
            bytes.extend_from_slice(example);
            for _ in 0..how.saturating_sub(4) {
                let at = dice.below(bytes.len());
                match dice.below(4) {
                    0 => bytes[at] = dice.roll() as u8,
                    1 => bytes[at] ^= 1 << dice.below(8),
                    2 if bytes.len() > 1 => drop(bytes.remove(at)),
                    _ => bytes.insert(at, dice.roll() as u8),
                }
            }
        }
    }
    request
}

fn storm(protocol: &Arc<Protocol>, seed: u64, frames: u64) {
    // A HID cable's report that is too short carries nothing.
    let pieces_of = |example: &Example| -> Pieces {
        let pieces = example.pieces.iter().filter(|piece| !piece.bytes.is_empty());
        pieces.map(|piece| (piece.request, piece.bytes.clone())).collect()
    };
    let examples: Vec<Pieces> = protocol.examples().iter().map(pieces_of).filter(|pieces| !pieces.is_empty()).collect();
    let (mut talk, mut turn) = (&examples[0], 0);
    let mut dice = Dice(seed);
    let mut engine = Engine::new(protocol.clone());
    let (mut out, mut bytes, mut pushed) = (Decoded::default(), Vec::new(), 0);
    for index in 0..frames {
        if turn == talk.len() {
            (talk, turn) = (&examples[dice.below(examples.len())], 0);
        }
        let request = frame(&mut dice, talk, turn, &mut bytes);
        turn += 1;
        out.clear();
        engine.set_request(request);
        engine.push(&bytes, &mut out);
        pushed += bytes.len() as u64;
        if dice.below(10_000) == 0 {
            engine.lost(&mut out);
        }
        let reported = |what: &str| format!("{}, frame {index} of seed {seed}: {what}: {bytes:02x?}", protocol.name);
        assert!(out.readings.len() <= MOST_READINGS, "{}", reported("too many readings"));
        for reading in &out.readings {
            assert!(usize::from(reading.name) < engine.names().len(), "{}", reported("a value without a name"));
            assert!(!matches!(reading.value, Value::Number(value) if !value.is_finite()), "{}", reported("no number"));
        }
        let end = out.frames.last().map_or(0, |frame| frame.readings_end);
        assert_eq!(end, out.readings.len(), "{}", reported("readings outside a frame"));
        for frame in &out.frames {
            assert!(frame.device_time.is_none_or(f64::is_finite), "{}", reported("a time that is none"));
        }
    }
    let counts = engine.counts();
    assert!(engine.names().len() <= MOST_NAMES, "{}: {} names", protocol.name, engine.names().len());
    assert_eq!(counts.bytes, pushed, "{}", protocol.name);
    assert!(counts.explained <= counts.bytes, "{}", protocol.name);
    // Half of the frames are examples with little or no damage: a decoder that gave up would show. Where a reading takes several
    // pieces of a talk there are as many fewer.
    let (sent, undamaged) = undamaged_frames(protocol, &examples);
    let least = frames / 10 * undamaged.min(sent) / sent;
    assert!(counts.frames > least && counts.all_problems() > frames / 10, "{}: {counts:?}", protocol.name);
}

/// How many pieces the examples have, and how many frames these give as they are.
fn undamaged_frames(protocol: &Arc<Protocol>, examples: &[Pieces]) -> (u64, u64) {
    let (mut engine, mut out, mut sent) = (Engine::new(protocol.clone()), Decoded::default(), 0);
    for (request, bytes) in examples.iter().flatten() {
        engine.set_request(*request);
        engine.push(bytes, &mut out);
        sent += 1;
    }
    (sent, engine.counts().frames)
}

#[test]
fn a_million_frames_through_each_protocol() {
    let (seed, frames) = (setting("BAYLINE_STORM_SEED", 0x5eed), setting("BAYLINE_STORM_FRAMES", FRAMES));
    let library = Library::default();
    let protocols: Vec<_> = library.all().0.iter().map(|listed| library.find(&listed.name).unwrap()).collect();
    let workers = thread::available_parallelism().map_or(1, usize::from);
    thread::scope(|scope| {
        for worker in 0..workers {
            let mine: Vec<_> = protocols.iter().skip(worker).step_by(workers).cloned().collect();
            scope.spawn(move || mine.iter().for_each(|protocol| storm(protocol, seed, frames)));
        }
    });
}
