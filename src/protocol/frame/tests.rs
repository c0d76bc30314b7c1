//! What holds for every framer: chunks make no difference, and damage is left behind.

use proptest::prelude::*;

use super::{block::Mask, *};
use crate::protocol::values::LongestFrame;

/// A framer, for tests of one kind.
pub(crate) trait TestFramer {
    fn push_bytes(&mut self, bytes: &[u8], found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance);
    fn lose(&mut self, found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance);
}

impl TestFramer for BlockFramer {
    fn push_bytes(&mut self, bytes: &[u8], found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance) {
        self.push(bytes, found);
    }
    fn lose(&mut self, found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance) {
        self.cut_off(Defect::Partial, found);
    }
}

impl TestFramer for StuffedFramer {
    fn push_bytes(&mut self, bytes: &[u8], found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance) {
        self.push(bytes, found);
    }
    fn lose(&mut self, found: &mut dyn FnMut(FramerOutput<'_>) -> Acceptance) {
        self.cut_off(Defect::Partial, found);
    }
}

/// In words; a frame that holds FF is refused.
fn in_words(cut: &FramerOutput<'_>) -> (Option<String>, Acceptance) {
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    match cut {
        FramerOutput::Frame(frame, _) if frame.contains(&0xff) => {
            (Some(format!("refused {}", hex(frame))), Acceptance::Rejected)
        }
        FramerOutput::Trial(frame, _) if frame.contains(&0xff) => (None, Acceptance::Rejected),
        FramerOutput::Frame(frame, taken) | FramerOutput::Trial(frame, taken) => {
            (Some(format!("{} ({taken})", hex(frame))), Acceptance::Accepted)
        }
        FramerOutput::Refused(bytes, error) => {
            (Some(format!("{:?} {}", error.defect, hex(bytes))), Acceptance::Accepted)
        }
    }
}

/// The bytes at once, and split at every place into two, and one by one.
pub(crate) fn check<F: TestFramer>(framer: impl Fn() -> F, bytes: &[u8], expected: &[&str]) {
    let cuts = |chunks: &[&[u8]]| {
        let (mut framer, mut cuts) = (framer(), Vec::new());
        let mut found = |cut: FramerOutput<'_>| {
            let (words, verdict) = in_words(&cut);
            cuts.extend(words);
            verdict
        };
        chunks.iter().for_each(|chunk| framer.push_bytes(chunk, &mut found));
        framer.lose(&mut found);
        cuts
    };
    assert_eq!(cuts(&[bytes]), expected);
    for at in 0..bytes.len() {
        assert_eq!(cuts(&[&bytes[..at], &bytes[at..]]), expected, "split at {at}");
    }
    assert_eq!(cuts(&bytes.chunks(1).collect::<Vec<_>>()), expected, "byte by byte");
}

/// How a payload is sent.
type Send = fn(&[u8]) -> Vec<u8>;

/// One of each kind, and how a payload of eight bytes is sent by it.
fn kinds() -> Vec<(FrameRule, Send)> {
    let prefixed = BlockRule::prefixed(Mask::of(&[0xaa]), 2, None, 2, 40);
    vec![
        (
            FrameRule::Line(LineRule {
                terminator: line::LineEnd::Text(b"\n".to_vec()),
                longest: LongestFrame::nearest(64),
                comment: None,
            }),
            |payload| {
                let text: String = payload.iter().map(|byte| format!("{byte:02x}")).collect();
                (text + "\n").into_bytes()
            },
        ),
        (FrameRule::Stuffed(Stuffing::Cobs, StuffedRule { longest: LongestFrame::nearest(64) }), cobs::stuff),
        (FrameRule::Stuffed(Stuffing::Slip, StuffedRule { longest: LongestFrame::nearest(64) }), slip::escape),
        (FrameRule::Block(prefixed), |payload| [&[0xaa, payload.len() as u8], payload].concat()),
        (FrameRule::Block(BlockRule::fixed(11, Mask::of(&[0xaa, 0x55]), Mask::of(&[0x0d]))), |payload| {
            [&[0xaa, 0x55], payload, &[0x0d]].concat()
        }),
        (FrameRule::Block(BlockRule::indexed(8)), |payload| {
            (1u8..).zip(payload).map(|(place, byte)| place << 4 | byte & 0x0f).collect()
        }),
    ]
}

/// Eight bytes, of which some look like ends and beginnings.
fn payload() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(prop_oneof![any::<u8>(), Just(0xaa), Just(0x55), Just(0x00), Just(0xc0)], 8)
}

/// Damage: any bytes, or a frame with a byte changed, lost or doubled.
fn damage() -> impl Strategy<Value = Vec<u8>> {
    let wreck = (payload(), 0usize..6, any::<prop::sample::Index>(), any::<u8>(), 0usize..3);
    let wreck = wreck.prop_map(|(payload, kind, at, byte, how)| {
        let mut frame = kinds()[kind].1(&payload);
        let at = at.index(frame.len());
        match how {
            0 => frame[at] = byte,
            1 => drop(frame.remove(at)),
            _ => frame.insert(at, byte),
        }
        frame
    });
    prop_oneof![prop::collection::vec(any::<u8>(), 0..80), wreck]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    /// Only undamaged frames are taken, as a perfect checksum would have it.
    #[test]
    fn all_undamaged_frames_after_damage_are_found(
        kind in 0usize..6,
        mut bytes in damage(),
        good in prop::collection::vec(payload(), 1..6),
        sizes in prop::collection::vec(1usize..30, 1..8),
    ) {
        let (rule, send) = &kinds()[kind];
        // Where frames have an end, one that is damaged glues the next frame to it, which is then
        // damaged too: so the damage here ends with an end.
        bytes.extend(match rule {
            FrameRule::Line(_) => Some(b'\n'),
            FrameRule::Stuffed(stuffing, _) => Some(stuffing.end()),
            FrameRule::Block(_) => None,
        });
        let mut expected = Vec::new();
        for frame in good.iter().map(|payload| send(payload)) {
            Framer::new(rule).push(&frame, |cut| {
                if let FramerOutput::Frame(frame, _) = cut {
                    expected.push(frame.to_vec());
                }
                Acceptance::Accepted
            });
            bytes.extend(frame);
        }
        prop_assert_eq!(expected.len(), good.len());
        // What looks like the beginning of a long frame is waited for.
        bytes.extend([0; 64]);
        let (mut found, mut framer) = (Vec::new(), Framer::new(rule));
        let (mut rest, mut sizes) = (&bytes[..], sizes.iter().cycle());
        while !rest.is_empty() {
            let (chunk, behind) = rest.split_at((*sizes.next().unwrap()).min(rest.len()));
            rest = behind;
            framer.push(chunk, |cut| match cut {
                FramerOutput::Frame(frame, _) | FramerOutput::Trial(frame, _) if expected.iter().any(|good| good == frame) => {
                    found.push(frame.to_vec());
                    Acceptance::Accepted
                }
                FramerOutput::Frame(..) | FramerOutput::Trial(..) => Acceptance::Rejected,
                FramerOutput::Refused(..) => Acceptance::Accepted,
            });
        }
        prop_assert_eq!(found, expected);
    }
}

#[test]
fn words() {
    crate::protocol::tests::check_words::<FrameKind>();
}
