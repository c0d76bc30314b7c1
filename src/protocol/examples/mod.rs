//! A protocol's examples prove it: each is decoded whole, byte by byte and glued to its neighbour.
//!
//! # Format
//! A reading is written `name = value unit`: `v1 = 12.45 V DC`, `value = -OL ohm`. What the display
//! shows beside it follows in brackets: `value = 12.45 V [hold, low battery]`. The size of the last
//! digit is given where it matters: `v1 = 12.4 V, digit 0.1`. A frame's device time comes behind
//! its readings: `@ 1.234 s`, and a button's press behind that: `> take`. Frames that are missing
//! before one come before its readings: `2 lost`. A meter's identification is
//! `itself: Works,Bench 6`. Values are compared as numbers in base
//! units, never as text.
//!
//! Reading order: `event`, `expected`, here, `place` (which byte decides a difference), `draft`.

mod draft;
mod event;
mod expected;
mod place;

use std::sync::Arc;

pub(crate) use draft::draft;
pub(super) use event::show_displayed;
#[cfg(test)]
pub(super) use event::show_reading;

use super::{Example, Protocol, RequestId};
use crate::mistake::Mistake;
use event::{DecodedEvent, ExampleEvent, decode, pieces, show};
use expected::ExpectedEvent;

/// Fewer examples than this prove nothing.
const FEWEST: usize = 4;

/// An example that does not hold, or too few of them.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(transparent)]
pub(crate) struct ExampleFailure(pub Mistake);

/// Runs all examples of a protocol.
pub(crate) fn check(protocol: &Protocol) -> Vec<ExampleFailure> {
    let fail = |line, message| ExampleFailure(Mistake { file: protocol.origin.clone(), line, message });
    let examples = protocol.examples();
    let mut failures = Vec::new();
    if examples.len() < FEWEST {
        let message = format!("found {} examples, expected at least {FEWEST}", examples.len());
        failures.push(fail(protocol.examples_line, message));
    } else if examples.iter().all(|example| example.refused.is_none()) {
        failures.push(fail(protocol.examples_line, "expected an example of a frame that is `refused`".to_owned()));
    }
    if protocol.hid.is_some() && !examples.iter().any(Example::is_in_reports) {
        failures.push(fail(protocol.examples_line, "expected an example with `hid`, which proves [hid]".to_owned()));
    }
    let shared = Arc::new(protocol.clone());
    for (index, example) in examples.iter().enumerate() {
        let before = index.checked_sub(1).map(|index| &examples[index]);
        let before = before.filter(|_| !example.after_connecting);
        if let Err(message) = check_one(&shared, example).and_then(|()| check_glued(&shared, before, example)) {
            failures.push(fail(example.line, message));
        }
    }
    failures
}

fn check_one(protocol: &Arc<Protocol>, example: &Example) -> Result<(), String> {
    let whole = decode(protocol, pieces(example));
    let single = pieces(example).flat_map(|(request, bytes)| bytes.chunks(1).map(move |byte| (request, byte)));
    compare(protocol, &decode(protocol, single), example)?;
    compare(protocol, &whole, example).map_err(|message| format!("all bytes at once: {message}"))
}

/// Behind the example before it, in one chunk where both answer the same.
fn check_glued(protocol: &Arc<Protocol>, before: Option<&Example>, example: &Example) -> Result<(), String> {
    let Some(before) = before else { return Ok(()) };
    let is_problem = |seen: &DecodedEvent| matches!(seen.event, ExampleEvent::Problem(_));
    let alone = decode(protocol, pieces(before));
    let mut problems = alone.iter().filter(|seen| is_problem(seen)).count();
    let mut readings = alone.len() - problems;
    let mut glued: Vec<(Option<RequestId>, Vec<u8>)> = Vec::new();
    for (request, bytes) in pieces(before).chain(pieces(example)) {
        match glued.last_mut() {
            Some((last, all)) if *last == request => all.extend_from_slice(bytes),
            _ => glued.push((request, bytes.to_vec())),
        }
    }
    let mut seen = decode(protocol, glued.iter().map(|(request, bytes)| (*request, &bytes[..])));
    // What the example before it gave comes first, among the readings and among the problems.
    seen.retain(|seen| {
        let left = if is_problem(seen) { &mut problems } else { &mut readings };
        let is_of_this = *left == 0;
        *left = left.saturating_sub(1);
        is_of_this
    });
    // Frames that are missing between two examples belong to neither.
    if let Some(DecodedEvent { event: ExampleEvent::Lost(_), .. }) = seen.iter().find(|seen| !is_problem(seen))
        && example.gives.first().is_none_or(|first| !first.ends_with(" lost"))
    {
        let first = seen.iter().position(|seen| !is_problem(seen)).unwrap_or(0);
        seen.remove(first);
    }
    compare(protocol, &seen, example)
        .map_err(|message| format!("behind the example of line {}: {message}", before.line))
}

/// That a frame was refused, and where in it.
fn refusal(why: &str, frame: &str) -> String {
    if frame.is_empty() {
        return format!("refused: {why}");
    }
    // A reason that begins with a byte counts from the frame's beginning.
    if let Some((byte, rest)) = why.strip_prefix("byte ").and_then(|rest| rest.split_once(": ")) {
        return format!("refused at byte {byte} of {frame}: {rest}");
    }
    match lengths(why) {
        // An `at` behind the frame's end reads like a frame that is too short.
        Some((found, wanted)) if found < wanted => format!(
            "{frame} is refused: it has {found} bytes, but [decode] reads byte {wanted}; check `at` and `type` there, or \
             `length` in [frame]"
        ),
        Some((found, wanted)) => format!(
            "{frame} is refused: it has {found} bytes, but [decode] reads {wanted}; check `length` in [frame] and in [decode]"
        ),
        None => format!("{frame} is refused: {why}"),
    }
}

/// The bytes that a frame has, and those that its decoder reads, from a reason that is about them.
fn lengths(why: &str) -> Option<(usize, usize)> {
    let (found, wanted) = why.strip_prefix("found ")?.split_once(" bytes, expected ")?;
    Some((found.parse().ok()?, wanted.parse().ok()?))
}

fn compare(protocol: &Arc<Protocol>, seen: &[DecodedEvent], example: &Example) -> Result<(), String> {
    let is_problem = |seen: &&DecodedEvent| matches!(seen.event, ExampleEvent::Problem(_));
    let (problems, readings): (Vec<&DecodedEvent>, Vec<&DecodedEvent>) = seen.iter().partition(is_problem);
    // A cable's report is refused before there are bytes.
    let short = example.short_report().map(|short| (short.to_string(), String::new()));
    let of_frame =
        || problems.first().map(|seen| (show(&seen.event), format!("the frame that byte {} ends", seen.byte)));
    match (&example.refused, short.or_else(of_frame)) {
        (None, None) => {}
        (Some(part), Some((why, _))) if why.contains(part.as_str()) => {}
        (Some(part), Some((why, place))) => {
            return Err(format!("expected refused = \"{part}\", but {}", refusal(&why, &place)));
        }
        (None, Some((why, place))) => return Err(refusal(&why, &place)),
        (Some(part), None) => return Err(format!("expected refused = \"{part}\", but nothing was")),
    }
    for (index, expected) in example.gives.iter().enumerate() {
        let place = format!("reading {}", index + 1);
        let Some(seen) = readings.get(index) else {
            return Err(format!("{place}: expected \"{expected}\", but the bytes give no further reading"));
        };
        let wanted = ExpectedEvent::read(expected).map_err(|wrong| format!("{place}: {wrong}"))?;
        if !wanted.is(&seen.event) {
            let got = show(&seen.event);
            let at = place::of_difference(protocol, example, index, &wanted, seen).unwrap_or_else(|| seen.place());
            return Err(format!("{place}, {at}: expected \"{expected}\", got \"{got}\""));
        }
    }
    match readings.get(example.gives.len()) {
        Some(seen) => Err(format!("{}: also got \"{}\"", seen.place(), show(&seen.event))),
        None => Ok(()),
    }
}
