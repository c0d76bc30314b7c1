//! What is said aloud of a notice, in the order place, value, verdict, reason, next.

use serde::{Deserialize, Serialize};
use strum::{EnumMessage, VariantArray};

use super::{Capture, EventKind, Judgement, Notice, RangeEnd, StepView, Verdict, excess, meters::FIRST_OPENED};
use crate::{
    protocol::Value,
    units::{sentence, spoken, spoken_difference, spoken_sentence, spoken_value},
    words::words,
};

/// A sentence to be said, numbers and units as words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct Announcement {
    /// What it is about.
    pub kind: AnnouncementKind,
    /// What is said.
    pub words: String,
}

/// What an announcement is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub(crate) enum AnnouncementKind {
    /// A value was captured.
    #[strum(serialize = "captured")]
    Captured,
    /// A sentence for the operator.
    #[strum(serialize = "say")]
    Say,
    /// A question to the operator.
    #[strum(serialize = "ask")]
    Ask,
    /// Seconds until what is on must be switched off.
    #[strum(serialize = "count")]
    Count,
    /// A channel dropped out this moment, while the harness is moved.
    #[strum(serialize = "tick")]
    Tick,
    /// A finding that is new.
    #[strum(serialize = "finding")]
    Finding,
    /// A step that began.
    #[strum(serialize = "step")]
    Step,
    /// A meter that is lost, silent or back.
    #[strum(serialize = "meter")]
    Meter,
    /// A button or pedal that could do nothing.
    #[strum(serialize = "refused")]
    Refused,
}

words!(AnnouncementKind);

impl AnnouncementKind {
    /// What it ends before it is said, heard in full or not: a captured value answers the question and ends the count, and of
    /// questions and counts the newest is meant. What may be a warning is never cut off.
    pub(crate) const fn cuts(self) -> &'static [Self] {
        match self {
            Self::Captured | Self::Ask => &[Self::Count, Self::Tick, Self::Ask],
            Self::Count | Self::Tick | Self::Say | Self::Finding | Self::Step | Self::Meter | Self::Refused => {
                &[Self::Count, Self::Tick]
            }
        }
    }

    /// Whether it would be wrong if it came late.
    pub(crate) const fn is_momentary(self) -> bool {
        matches!(self, Self::Count | Self::Tick)
    }
}

impl Announcement {
    /// What is said of a notice; none where it is for the eye alone.
    pub(crate) fn of(notice: &Notice) -> Option<Self> {
        let (kind, words) = match notice {
            Notice::Say(text) => (AnnouncementKind::Say, spoken_sentence(text)),
            Notice::Ask(ask) => (AnnouncementKind::Ask, spoken_sentence(&ask.text)),
            Notice::Tick(channel) => (AnnouncementKind::Tick, spoken_sentence(channel)),
            Notice::Count(seconds) => (AnnouncementKind::Count, spoken(*seconds as f64)),
            Notice::Captured { step, channel, capture } => {
                let place = if step.is_empty() { channel } else { step };
                (AnnouncementKind::Captured, captured(place, capture))
            }
            Notice::Finding(finding) => {
                let next = if finding.next.is_empty() { String::new() } else { format!(" Next: {}", finding.next) };
                (AnnouncementKind::Finding, spoken_sentence(&format!("{}{next}", finding.sentence)))
            }
            Notice::Step(view) => (AnnouncementKind::Step, step(view)),
            Notice::Event { kind: EventKind::MeterSilent, text, .. } => {
                (AnnouncementKind::Meter, spoken_sentence(text))
            }
            Notice::Event { kind: EventKind::MeterLost, subject, text } => {
                (AnnouncementKind::Meter, spoken_sentence(&format!("{subject} is not there: {text}")))
            }
            Notice::Event { kind: EventKind::MeterFound, subject, text } if text != FIRST_OPENED => {
                (AnnouncementKind::Meter, spoken_sentence(&format!("{subject}: {text}")))
            }
            Notice::Event { .. }
            | Notice::SessionBegan(_)
            | Notice::SessionEnded(_)
            | Notice::Judged { .. }
            | Notice::AskOver
            | Notice::Excursion(_)
            | Notice::Intermittent(_)
            | Notice::Change(_)
            | Notice::Response(_) => return None,
        };
        Some(Self { kind, words })
    }

    /// That a button or pedal could do nothing, and why.
    pub(crate) fn refused(why: &str) -> Self {
        Self { kind: AnnouncementKind::Refused, words: spoken_sentence(why) }
    }
}

/// `Next: lift coil ohms.`
fn step(view: &StepView) -> String {
    let before = match (view.attempt, view.number) {
        (2.., _) => "Again: ",
        (_, 2..) => "Next: ",
        _ => "",
    };
    format!("{before}{}.", sentence_of(&view.name, before.is_empty()))
}

fn sentence_of(text: &str, at_the_start: bool) -> String {
    let words = spoken_sentence(text);
    if at_the_start { sentence(&words) } else { words }
}

/// `Tilt coil, nine point five ohms, out of limit, one point four too much.`
fn captured(place: &str, capture: &Capture) -> String {
    let judgement = &capture.judgement;
    let mut parts = vec![sentence_of(place, true)];
    parts.extend(value(judgement));
    parts.extend(verdict(judgement));
    parts.extend(capture.flags.iter().map(|flag| flag.word().to_owned()));
    format!("{}.", parts.join(", "))
}

fn value(judgement: &Judgement) -> Option<String> {
    if let Some(answer) = judgement.answer() {
        return Some(answer.word().to_owned());
    }
    Some(match (judgement.value()?, judgement.quantity()?) {
        (Value::Number(value), quantity) => spoken_value(value, quantity, judgement.limit()),
        (Value::Over, _) => "overload".to_owned(),
        (Value::Under, _) => format!("overload, {}", RangeEnd::Under.word()),
    })
}

fn verdict(judgement: &Judgement) -> Option<String> {
    let verdict = judgement.verdict()?;
    let word = verdict.word();
    Some(match verdict {
        Verdict::InLimit => word.to_owned(),
        Verdict::OutOfLimit | Verdict::TooCloseToCall => match deviation(judgement) {
            Some(deviation) if verdict == Verdict::OutOfLimit => format!("{word}, {deviation}"),
            _ => word.to_owned(),
        },
        // Why there is no verdict, in the words of the ledger.
        _ => {
            let reason = spoken_sentence(judgement.reason.trim_end_matches('.'));
            if reason.starts_with(word) { reason } else { format!("{word}, {reason}") }
        }
    })
}

/// By how much a value breaks its limit, and which way.
fn deviation(judgement: &Judgement) -> Option<String> {
    let (limit, quantity) = (judgement.limit()?, judgement.quantity()?);
    let Value::Number(value) = judgement.value()? else { return None };
    let by = excess(&limit, Value::Number(value));
    // A value that the uncertainty alone keeps from its limit breaks nothing.
    if !by.is_finite() || by <= 0.0 {
        return None;
    }
    let is_little = limit.low.is_some_and(|low| value < low);
    let way = if is_little { "too little" } else { "too much" };
    Some(format!("{} {way}", spoken_difference(by, value, quantity)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::Sample,
        clock::Mono,
        electrics::DecisionRule,
        session::{
            CaptureMethod,
            judge::{judge, tests::volts},
        },
        units::{Limit, Quantity},
    };

    fn announced(step: &str, low: Option<f64>, high: Option<f64>, value: Value, quantity: Quantity) -> String {
        let limit = Limit { low, high, dimension: quantity.dimension() };
        let sample = Sample { value, quantity, u: Some(0.005), ..volts(0, 0.0) };
        let judgement = judge(&limit, &sample, DecisionRule::Guarded);
        let capture = Capture::plain(CaptureMethod::Taken, Mono(0), None, judgement);
        let notice =
            Notice::Captured { step: step.to_owned(), channel: "probe".to_owned(), capture: Box::new(capture) };
        Announcement::of(&notice).unwrap().words
    }

    #[test]
    fn a_capture_is_said_as_place_value_verdict_reason() {
        let number = Value::Number;
        for (step, low, high, value, quantity, words) in [
            (
                "lift feed",
                Some(11.8),
                None,
                number(12.58),
                Quantity::VoltsDc,
                "Lift feed, twelve point six volts, in limit.",
            ),
            (
                "tilt coil",
                Some(6.9),
                Some(8.1),
                number(9.53),
                Quantity::Ohms,
                "Tilt coil, nine point five three ohms, out of limit, one point four too much.",
            ),
            (
                "feed",
                Some(11.8),
                None,
                number(7.1),
                Quantity::VoltsDc,
                "Feed, seven point one volts, out of limit, four point seven too little.",
            ),
            // A drop is judged by its size.
            (
                "block ground",
                None,
                Some(0.1),
                number(-0.341),
                Quantity::VoltsDc,
                "Block ground, minus point three four one volts, out of limit, point two four too much.",
            ),
            (
                "feed",
                Some(11.8),
                None,
                number(11.801),
                Quantity::VoltsDc,
                "Feed, eleven point eight zero one volts, too close to call.",
            ),
            ("tilt coil", None, Some(8.1), Value::Over, Quantity::Ohms, "Tilt coil, overload, out of limit."),
        ] {
            assert_eq!(announced(step, low, high, value, quantity), words);
        }
    }

    #[test]
    fn a_count_is_cut_by_all_and_a_warning_by_nothing() {
        for kind in AnnouncementKind::VARIANTS {
            assert!(
                AnnouncementKind::VARIANTS
                    .iter()
                    .filter(|kind| kind.is_momentary())
                    .all(|momentary| kind.cuts().contains(momentary))
            );
            assert!(!kind.cuts().contains(&AnnouncementKind::Say), "{kind:?}");
        }
        assert!(AnnouncementKind::Captured.cuts().contains(&AnnouncementKind::Ask));
    }
}
