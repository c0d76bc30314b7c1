//! Ordinary boards lose no line; two halves are refused.

use std::{fmt::Write as _, time::Duration};

use super::*;
use crate::protocol::{Decoded, Engine, Library};

/// A quarter of a second lies between lines.
const BETWEEN_LINES: Duration = Duration::from_millis(250);

/// What comes of lines, each in a piece of its own: how many were kept, and why others were not.
fn kept(protocol: &str, lines: &[String]) -> (u64, Vec<String>) {
    let mut engine = Engine::new(Library::default().find(protocol).unwrap());
    let (mut out, mut refused) = (Decoded::default(), Vec::new());
    for line in lines {
        out.clear();
        engine.paused(BETWEEN_LINES, &mut out);
        engine.push(format!("{line}\n").as_bytes(), &mut out);
        refused.extend(out.problems.iter().map(|problem| format!("{}: {}", problem.frame, problem.reason)));
    }
    (engine.counts().frames, refused)
}

#[track_caller]
fn check_all_kept(protocol: &str, lines: Vec<String>) {
    let (frames, refused) = kept(protocol, &lines);
    assert_eq!(refused, [] as [String; 0], "{protocol}");
    assert_eq!(frames, lines.len() as u64, "{protocol}");
}

/// Values that rise, fall, change their sign and jump: a coil that is switched, a feed, noise.
fn values() -> impl Iterator<Item = f64> {
    let ramp = (-2200..2200).map(|step| f64::from(step) * 0.0917);
    let switched = (0..400).map(|step| if step % 40 < 20 { 1.62 + f64::from(step % 7) * 0.003 } else { 0.0 });
    let decades = (0..480).map(|step| 10f64.powf(f64::from(step) / 60.0 - 4.0));
    let back = (0..480).map(|step| 10f64.powf(f64::from(480 - step) / 60.0 - 4.0));
    ramp.chain(switched).chain(decades).chain(back)
}

/// As a display of so many counts shows it, with its ranges; it goes down a range only well below the end of it.
struct Ranging {
    counts: f64,
    decimals: usize,
}

impl Ranging {
    fn show(&mut self, value: f64) -> String {
        let end = |decimals: usize| self.counts / 10f64.powi(decimals as i32);
        while self.decimals > 0 && value.abs() >= end(self.decimals) {
            self.decimals -= 1;
        }
        while self.decimals < 4 && value.abs() < 0.9 * end(self.decimals + 1) {
            self.decimals += 1;
        }
        format!("{value:.*}", self.decimals)
    }
}

/// A number with so many digits that count, as `%g` of C writes it, and with its zeros.
fn significant(value: f64, digits: usize) -> String {
    let whole = if value == 0.0 { 1 } else { value.abs().log10().floor() as i32 + 1 };
    format!("{value:.*}", usize::try_from(digits as i32 - whole.max(1)).unwrap_or(0))
}

fn lines(mut show: impl FnMut(usize, f64) -> String) -> Vec<String> {
    values().enumerate().map(|(at, value)| show(at, value)).collect()
}

#[test]
fn boards_with_a_fixed_number_of_decimals_keep_every_line() {
    check_all_kept("columns", lines(|_, value| format!("{value:.3},{:.2},{:.1}", 12.61 - value / 50.0, -value)));
    check_all_kept("columns", lines(|_, value| format!("{value:8.3};{:8.2};{:+.2}", 12.61, -value)));
    check_all_kept("columns-ms", lines(|at, value| format!("{},{value:.4}", at * 20)));
    check_all_kept("pairs", lines(|_, value| format!("lift={value:.3}A feed={:.2}V", 12.61 - value / 50.0)));
    check_all_kept("json", lines(|_, value| format!("{{\"lift\": {value:.3}, \"feed\": {:.2}}}", 12.61)));
}

#[test]
fn boards_that_change_their_range_keep_every_line() {
    for counts in [2000.0, 6000.0, 10_000.0, 40_000.0] {
        let mut display = Ranging { counts, decimals: 2 };
        check_all_kept("columns", lines(|_, value| format!("{},{:.2}", display.show(value), 12.61)));
        let mut display = Ranging { counts, decimals: 4 };
        check_all_kept("pairs", lines(|_, value| format!("lift: {} A, feed: 12.61 V", display.show(value))));
    }
    check_all_kept("columns", lines(|_, value| format!("{} 9.99", significant(value, 3))));
    check_all_kept("json", lines(|_, value| format!("{{\"lift\": {}}}", significant(value, 4))));
    // With the prefix of the range.
    let prefixed = |value: f64| match value.abs() {
        size if size < 1.0 => format!("{:.1} mA", value * 1e3),
        _ => format!("{value:.3} A"),
    };
    check_all_kept("columns", lines(|_, value| format!("{}; 12.61 V", prefixed(value))));
    check_all_kept("pairs", lines(|_, value| format!("lift={} feed=12.61 V", prefixed(value))));
}

#[test]
fn boards_that_leave_out_zeros_or_write_exponents_keep_every_line() {
    let short = |value: f64| format!("{}", (value * 1e3).round() / 1e3);
    check_all_kept("columns", lines(|_, value| format!("{},{}.5", short(value), 1)));
    check_all_kept("pairs", lines(|_, value| format!("lift={},feed={}", short(value), short(-value))));
    check_all_kept("json", lines(|_, value| format!("{{\"lift\":{},\"feed\":12.6}}", short(value))));
    check_all_kept("columns", lines(|_, value| format!("{value:.3e} {:.2e}", -value)));
    // An hour of idling, all values whole, and then a current.
    let idle = |at: usize| if at < 3000 { "1.0 0.0".to_owned() } else { format!("1.0 {}", short(at as f64 / 7.0)) };
    check_all_kept("columns", (0..4000).map(idle).collect());
}

#[test]
fn boards_that_count_or_show_more_now_and_then_keep_every_line() {
    check_all_kept("columns", lines(|at, value| format!("{} {} {}", at, value as i64, at % 3)));
    // A temperature each tenth line, beyond the range, a cell that is empty, a state that changes.
    check_all_kept(
        "pairs",
        lines(|at, value| {
            let mut line = format!("lift={value:.3}");
            if at % 10 == 9 {
                write!(line, " oil={:.1}", 60.0 + value / 100.0).unwrap();
            }
            if at > 2000 { line + " mode=warm" } else { line + " mode=cold" }
        }),
    );
    check_all_kept(
        "columns",
        lines(|at, value| match (at / 100) % 4 {
            0 => format!("{value:.3},OL,12.61"),
            1 => format!("{value:.3},,12.61"),
            2 => format!(",{value:.3},12.61"),
            _ => format!("{value:.3},{value:.2},12.61"),
        }),
    );
    check_all_kept(
        "json",
        lines(
            |at, value| {
                if at % 9 == 0 { "{\"lift\":null}".to_owned() } else { format!("{{\"lift\":{value},\"n\":{at}}}") }
            },
        ),
    );
}

/// Forty lines of a board, and then these; what is kept of them, and the reason for the first that is not.
fn behind_forty(protocol: &str, show: impl Fn(f64) -> String, then: &[&str]) -> (u64, Option<String>) {
    let mut sent: Vec<String> = (0..40).map(|at| show(0.5 + f64::from(at) / 100.0)).collect();
    sent.extend(then.iter().map(|line| (*line).to_owned()));
    let (frames, refused) = kept(protocol, &sent);
    (frames - 40, refused.into_iter().next())
}

#[test]
fn halves_are_refused() {
    let columns = |value: f64| format!("{value:.3},{:.2}", 12.0 + value);
    for halves in ["0.5112,12.61", "0.52,12.61", "0.512,122.612", "00.512,12.61"] {
        let (kept, why) = behind_forty("columns", columns, &[halves]);
        assert_eq!(kept, 0, "{halves}");
        assert!(why.unwrap().contains("may be two halves"), "{halves}");
    }
    let pairs = |value: f64| format!("lift={value:.3} feed={:.2}V", 12.0 + value);
    for halves in ["lift=0.513V", "lift=0.512 feed=12.6", "lift=0.512 fift=0.512 feed=12.61V", "lieed=12.61V"] {
        assert_eq!(behind_forty("pairs", pairs, &[halves]).0, 0, "{halves}");
    }
    let json = |value: f64| format!("{{\"lift\": {value:.3}, \"feed\": {:.2}}}", 12.0 + value);
    for halves in ["{\"lift\": 0.51}", "{\"lieed\": 12.61}", "{\"lift\": 0.512, \"lift\": 0.512, \"feed\": 12.61}"] {
        assert_eq!(behind_forty("json", json, &[halves]).0, 0, "{halves}");
    }
}

#[test]
fn what_stays_different_is_kept_from_the_third_line_on() {
    let pairs = |value: f64| format!("lift={value:.3} feed={:.2}V", 12.0 + value);
    let (kept, why) = behind_forty("pairs", pairs, &["lift=0.513"; 5]);
    assert_eq!(kept, 3);
    assert!(why.unwrap().contains("kept when three lines are like it"));
    let columns = |value: f64| format!("{value:.3},{:.2}", 12.0 + value);
    assert_eq!(behind_forty("columns", columns, &["0.51,12.61"; 5]).0, 3, "a range that was switched by hand");
    assert_eq!(behind_forty("columns", columns, &["0.51"; 5]).0, 3, "the count of columns is learnt at the same time");
}

#[test]
fn a_pause_in_a_line_that_is_sent_in_one_piece_is_a_loss() {
    let run = |rest: &[u8]| {
        let mut engine = Engine::new(Library::default().find("columns").unwrap());
        let mut out = Decoded::default();
        for _ in 0..40 {
            engine.paused(BETWEEN_LINES, &mut out);
            engine.push(b"0.512,12.61\n", &mut out);
        }
        out.clear();
        engine.paused(BETWEEN_LINES, &mut out);
        engine.push(b"0.512,1", &mut out);
        engine.paused(BETWEEN_LINES, &mut out);
        engine.push(rest, &mut out);
        (out.readings.len(), out.problems.len())
    };
    assert_eq!(run(b"3.61\n"), (0, 1));
    assert_eq!(run(b"2.61\n0.512,12.61\n"), (4, 0), "what waited somewhere was not lost");
}

#[test]
fn memory_is_bounded() {
    let mut shapes = LineShapes::default();
    for at in 0..10_000 {
        drop(shapes.take(format!("{} {}", "x".repeat(at % 300), at).as_bytes()));
    }
    assert!(shapes.kinds.len() <= MOST_KINDS);
}
