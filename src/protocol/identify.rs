//! Which protocol explains the bytes of an unknown meter?
//!
//! Every candidate decodes the same bytes; the one that explains most of them, by the strictest
//! rules, comes first. Pure: it does not know who listened or how the line was set.

use std::{sync::Arc, time::Duration};

use super::{
    Decoded, Engine, Function, Protocol, RequestId, decode::DecodeRule, examples::show_displayed, frame::FrameRule,
};
use crate::clock::Mono;

/// Readings that are shown for comparing with the display.
const SHOWN: usize = 4;

/// The first bytes may be the end of a frame whose beginning was missed: with fewer frames than
/// this the share of explained bytes proves nothing.
const LEAST_FRAMES: u64 = 2;

/// Shares closer together than this are the same.
const SAME_SHARE: f64 = 0.03;

/// Some bytes, when they arrived, and what they answer.
#[derive(Debug, Clone)]
pub(crate) struct RecordedChunk {
    /// When they arrived.
    pub at: Mono,
    /// The bytes.
    pub bytes: Vec<u8>,
    /// What they answer; none for a meter that sends by itself.
    pub request: Option<RequestId>,
}

/// How well one protocol explains the bytes.
#[derive(Debug, Clone)]
pub(crate) struct ProtocolMatch {
    /// The protocol.
    pub protocol: Arc<Protocol>,
    /// Share of the bytes that it explains, 0 to 1.
    pub share: f64,
    /// Frames understood, also those that have no values or that the protocol's file declares to be ignored.
    pub understood: u64,
    /// Frames refused.
    pub refused: u64,
    /// The names of the values in a frame.
    pub names: Vec<String>,
    /// The first readings, to be compared with the display.
    pub first: Vec<String>,
    /// The meter's identification.
    pub identity: Option<String>,
    /// By name: whether the frames give what is measured.
    pub tells_unit: Vec<bool>,
    /// How strict its rules are: a guess by loose rules is worth less.
    strictness: i32,
}

impl ProtocolMatch {
    /// Whether it gave readings at all, or frames that only this protocol can explain.
    fn decodes(&self) -> bool {
        self.understood >= LEAST_FRAMES && (!self.first.is_empty() || self.protocol.checksum.is_some())
    }

    /// Whether there is no reason to doubt it.
    pub(crate) fn is_clear(&self) -> bool {
        self.share >= 0.97 && self.understood > LEAST_FRAMES && self.refused <= 1
    }

    /// Whether it may be the one, if only more came.
    fn is_promising(&self) -> bool {
        self.understood > 0 && self.understood <= LEAST_FRAMES && self.refused <= 1
    }
}

/// How many reports came that one of the protocols explains, where they are too few to decide by.
pub(crate) fn too_few(protocols: &[Arc<Protocol>], heard: &[RecordedChunk]) -> Option<u64> {
    let candidates: Vec<ProtocolMatch> = protocols.iter().map(|protocol| candidate(protocol, heard)).collect();
    let is_decided = candidates.iter().any(ProtocolMatch::is_clear);
    let promising = candidates.iter().filter(|candidate| candidate.is_promising());
    promising.map(|candidate| candidate.understood).max().filter(|_| !is_decided)
}

/// The candidates that decode anything, the best first.
pub(crate) fn rank(protocols: &[Arc<Protocol>], heard: &[RecordedChunk]) -> Vec<ProtocolMatch> {
    let mut candidates: Vec<ProtocolMatch> =
        protocols.iter().map(|protocol| candidate(protocol, heard)).filter(ProtocolMatch::decodes).collect();
    candidates.sort_by(|one, other| {
        let step = |candidate: &ProtocolMatch| (candidate.share / SAME_SHARE).round() as i64;
        step(other)
            .cmp(&step(one))
            .then(other.strictness.cmp(&one.strictness))
            .then(other.share.total_cmp(&one.share))
            .then(one.protocol.name.cmp(&other.protocol.name))
    });
    candidates
}

fn candidate(protocol: &Arc<Protocol>, heard: &[RecordedChunk]) -> ProtocolMatch {
    let mut engine = Engine::new(protocol.clone());
    let mut out = Decoded::default();
    let (mut first, mut identity) = (Vec::new(), None);
    let mut units = 0u64;
    let mut tells_unit = Vec::new();
    let mut stamps: Vec<(Mono, f64)> = Vec::new();
    let mut before = None;
    for overheard in heard {
        out.clear();
        engine.set_request(overheard.request);
        if let Some(before) = before.replace(overheard.at) {
            let pause = Duration::from_micros(u64::try_from(overheard.at.since(before)).unwrap_or(0));
            engine.paused(pause, &mut out);
        }
        engine.push(&overheard.bytes, &mut out);
        for reading in &out.readings {
            let name = usize::from(reading.name);
            let reported = reading.function != Function::Unknown;
            tells_unit.resize(tells_unit.len().max(name + 1), false);
            tells_unit[name] |= reported;
            units += u64::from(reported);
            if first.len() < SHOWN {
                first.push(show_displayed(&engine.names()[name], reading));
            }
        }
        identity = out.identities.last().map(str::to_owned).or(identity);
        stamps.extend(out.frames.iter().filter_map(|frame| Some((overheard.at, frame.device_time?))));
    }
    let counts = engine.counts();
    let time = Timekeeping::of(&stamps);
    let all_units = counts.readings > 0 && units == counts.readings;
    ProtocolMatch {
        share: if time == Timekeeping::Contradicts { 0.0 } else { counts.explained_share() },
        understood: counts.understood(),
        refused: counts.all_problems(),
        names: engine.names().to_vec(),
        first,
        identity,
        tells_unit,
        strictness: strictness(protocol) + i32::from(all_units) + time.worth(),
        protocol: protocol.clone(),
    }
}

/// Whether what is taken for a device's clock is one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Timekeeping {
    /// The protocol takes nothing for a clock.
    NoClock,
    /// It goes as fast as ours.
    Matches,
    /// Too few bytes to decide.
    TooShort,
    /// It is a column of measurements.
    Contradicts,
}

impl Timekeeping {
    fn of(stamps: &[(Mono, f64)]) -> Self {
        const LEAST_SPAN_S: f64 = 0.3;
        // The first may be the rest of a number whose beginning was missed.
        let (Some((began, first)), Some((ended, last))) = (stamps.get(1), stamps.last()) else { return Self::NoClock };
        let ours = ended.since(*began) as f64 / 1e6;
        // A clock never goes back; noise does.
        let rises = stamps[1..].windows(2).all(|pair| pair[1].1 >= pair[0].1);
        match (last - first) / ours {
            _ if !rises || last < first => Self::Contradicts,
            _ if last == first && stamps.len() > 3 => Self::Contradicts,
            _ if ours < LEAST_SPAN_S => Self::TooShort,
            pace if (0.5..2.0).contains(&pace) => Self::Matches,
            _ => Self::Contradicts,
        }
    }

    fn worth(self) -> i32 {
        match self {
            Self::NoClock | Self::Contradicts => 0,
            Self::Matches => 1,
            Self::TooShort => -1,
        }
    }
}

/// What must be right for a frame to be taken: a checksum is nearly proof, columns of numbers are not.
fn strictness(protocol: &Protocol) -> i32 {
    let checksum = if protocol.checksum.is_some() { 16 } else { 0 };
    let frame = match protocol.frame {
        FrameRule::Line(_) => 0,
        FrameRule::Stuffed(..) => 6,
        FrameRule::Block(_) => 8,
    };
    let decode = match protocol.decode {
        DecodeRule::Columns(_) => 0,
        DecodeRule::Number(_) => 2,
        DecodeRule::Pairs(_) | DecodeRule::Json(_) => 4,
        DecodeRule::Fields(_) => 4,
        DecodeRule::Pattern(_) | DecodeRule::Report(_) | DecodeRule::Segments(_) => 6,
    };
    checksum + frame + decode
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::{Library, Traffic};

    fn streaming() -> Vec<Arc<Protocol>> {
        let library = Library::new(Vec::new());
        let (listed, broken) = library.all();
        assert!(broken.is_empty());
        let all = listed.iter().map(|listed| library.find(&listed.name).unwrap());
        all.filter(|protocol| protocol.traffic() == Traffic::Streaming).collect()
    }

    /// Twenty lines, one each 100 ms, the first cut off as a stream that was running is.
    fn lines(line: impl Fn(usize) -> String) -> Vec<RecordedChunk> {
        let heard = (0..20).map(|index| RecordedChunk {
            at: Mono(index as i64 * 100_000),
            bytes: format!("{}\r\n", line(index)).into_bytes()[if index == 0 { 3 } else { 0 }..].to_vec(),
            request: None,
        });
        heard.collect()
    }

    fn best(heard: &[RecordedChunk]) -> String {
        let ranked = rank(&streaming(), heard);
        let reported: Vec<_> =
            ranked.iter().map(|found| (&found.protocol.name, found.share, found.strictness)).collect();
        ranked.first().map(|best| best.protocol.name.clone()).unwrap_or_else(|| panic!("{reported:?}"))
    }

    #[test]
    fn lines_of_boards_are_distinguished() {
        assert_eq!(best(&lines(|index| format!("12.{:02} V", index))), "number");
        assert_eq!(best(&lines(|index| format!("0.51{index},1.20,-0.003"))), "columns");
        assert_eq!(best(&lines(|index| format!("{},0.512,1.20", 5000 + index * 100))), "columns-ms");
        assert_eq!(best(&lines(|index| format!("{},0.512,1.20", 5_000_000 + index * 100_000))), "columns-us");
        assert_eq!(best(&lines(|index| format!("lift=0.51{index} feed=12.4"))), "pairs");
        assert_eq!(best(&lines(|index| format!("{{\"lift\": 0.51{index}, \"feed\": 12.4}}"))), "json");
    }

    #[test]
    fn every_streaming_protocol_is_found_by_its_own_examples() {
        let protocols = streaming();
        for protocol in &protocols {
            let good =
                protocol.examples().iter().filter(|example| example.refused.is_none() && !example.after_connecting);
            let pieces: Vec<Vec<u8>> = good.map(|example| example.bytes()).collect();
            let heard: Vec<RecordedChunk> = (0..6)
                .flat_map(|_| pieces.clone())
                .enumerate()
                .map(|(index, bytes)| RecordedChunk { at: Mono(index as i64 * 1000), bytes, request: None })
                .collect();
            let ranked = rank(&protocols, &heard);
            let place = ranked.iter().position(|found| found.protocol.name == protocol.name);
            let ahead: Vec<_> = ranked.iter().map(|found| (&found.protocol.name, found.share)).collect();
            // In so short a time a column of time can't be distinguished from others: four kinds of columns.
            assert!(place.is_some_and(|place| place < 4), "{}: {ahead:?}", protocol.name);
        }
    }

    #[test]
    fn a_first_column_of_noise_is_no_clock() {
        // Noise of some tenths around a value was taken for seconds, and the column was gone.
        let noise = [0.31, 0.35, 0.29, 0.40, 0.36];
        let heard = lines(|index| format!("{},0.512,1.20", noise[index % 5] + index as f64 * 0.05));
        assert_eq!(best(&heard), "columns");
        assert_eq!(best(&lines(|_| "12,0.512,1.20".to_owned())), "columns");
    }

    #[test]
    fn a_receiver_without_a_position_is_found() {
        let sentence = "$GPRMC,123519,V,,,,,,,230394,003.1,W*48";
        let ranked = rank(&streaming(), &lines(|_| sentence.to_owned()));
        assert!(ranked[0].protocol.name == "nmea-0183" && ranked[0].share > 0.95, "{}", ranked[0].share);
        // The protocol's file declares them to be ignored: understood all the same, but for the one that is cut off.
        assert_eq!((ranked[0].understood, ranked[0].refused), (19, 1));
    }

    /// Seen: what a board says as it starts counted as frames that any protocol of columns understands.
    #[test]
    fn words_before_the_first_numbers_prove_nothing() {
        let words = |index| format!("mounting volume {}", ["one", "two", "three"][index % 3]);
        assert_eq!(too_few(&streaming(), &lines(words)[1..2]), None);
        let heard = lines(|index| if index == 19 { "12.5,3".to_owned() } else { words(index) });
        let found: Vec<_> = rank(&streaming(), &heard).into_iter().map(|found| found.protocol.name.clone()).collect();
        assert_eq!(found, [""; 0]);
    }

    /// Seen: whatever came behind an opening line, which nothing reads, counted as understood.
    #[test]
    fn answers_to_opening_lines_prove_nothing() {
        let scpi = Library::default().find("scpi").unwrap();
        let chunk = |request, bytes: &[u8]| RecordedChunk { at: Mono(0), bytes: bytes.to_vec(), request };
        let opening = chunk(Some(RequestId::OPENING), b"good morning\n");
        let found = candidate(&scpi, &[opening.clone(), opening.clone()]);
        assert_eq!((found.understood, found.refused, found.share), (0, 0, 0.0));
        // The queue of errors is known to be empty by its text.
        let errors = |bytes: &[u8]| candidate(&scpi, &[opening.clone(), chunk(Some(RequestId::ERRORS), bytes)]);
        let empty = errors(b"0,\"No error\"\n");
        assert_eq!((empty.understood, empty.refused, empty.share), (1, 0, 1.0));
        assert_eq!(errors(b"good morning\n").refused, 1);
    }

    #[test]
    fn line_ends_of_all_kinds_are_found() {
        let mut heard = lines(|index| format!("12.{:02} V", index));
        for chunk in &mut heard {
            chunk.bytes.retain(|byte| *byte != b'\n');
        }
        assert_eq!(rank(&streaming(), &heard)[0].protocol.name, "number");
    }

    #[test]
    fn few_reports_are_waited_for() {
        let heard = lines(|index| format!("12.{:02} V", index));
        assert_eq!(too_few(&streaming(), &heard[1..2]), Some(1));
        assert_eq!(too_few(&streaming(), &heard), None);
    }

    #[test]
    fn noise_is_no_meter() {
        let noise = (0u32..40).map(|index| RecordedChunk {
            at: Mono(i64::from(index) * 10_000),
            bytes: (0..40)
                .map(|at: u32| (index.wrapping_mul(2_654_435_761).wrapping_add(at * 40_503) >> 7) as u8)
                .collect(),
            request: None,
        });
        let ranked = rank(&streaming(), &noise.collect::<Vec<_>>());
        assert!(ranked.first().is_none_or(|best| !best.is_clear()), "{:?}", ranked.first());
    }
}
