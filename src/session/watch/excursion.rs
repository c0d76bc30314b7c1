//! A limit that breaks: from when to when, how far, and what everything else showed then.

use super::{WatchEvent, speech_limit::SpeechLimit};
use crate::{
    channel::Sample,
    clock::Mono,
    protocol::Value,
    session::{Verdict, judge::excess, judge::is_judged_by_size},
    units::{Limit, Quantity, show_duration},
};

/// So many are kept of one step; further ones are only counted.
const MOST: u32 = 1000;
/// At most one excursion in this time is said aloud, µs.
const QUIET_US: i64 = 5_000_000;

/// A time in which a channel was out of its limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Excursion {
    /// step.number
    pub step: u32,
    /// Counted from 1 over the step.
    pub number: u32,
    /// The channel's name.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// The limit that it broke.
    pub limit: Limit,
    /// The first sample out of limit.
    pub began: Mono,
    /// The first sample that was not; none while it lasts.
    pub ended: Option<Mono>,
    /// The worst of it.
    pub worst: Value,
    /// The same as the meter showed it.
    pub worst_shown: String,
    /// When that was.
    pub worst_at: Mono,
    /// What the other channels showed then, as `feed 12.31 V`.
    pub shown: Vec<String>,
}

impl Excursion {
    /// One sentence, for the operator's ears.
    pub fn text(&self) -> String {
        let worst = &self.worst_shown;
        match self.ended {
            None => format!("{} out of limit: {worst}, {} wanted", self.channel, self.limit),
            Some(ended) => {
                let lasted = show_duration(ended.since(self.began) as f64 / 1e6);
                format!("{} in limit again after {lasted}, worst {worst}", self.channel)
            }
        }
    }
}

/// One that lasts.
#[derive(Debug, Clone, PartialEq)]
struct OpenExcursion {
    number: u32,
    limit: Limit,
    began: Mono,
    /// The first sample after the last one that was out of limit.
    back: Option<Mono>,
    worst: Sample,
    depth: f64,
    is_said: bool,
}

/// Watches the limit of a step.
#[derive(Debug, Clone)]
pub(super) struct ExcursionWatch {
    step: u32,
    open: Option<OpenExcursion>,
    /// What every channel showed at the worst; kept to reuse its memory.
    aside: Vec<Option<Sample>>,
    count: u32,
    longest_us: i64,
    speech: SpeechLimit,
    /// Since something was said: how many, and the worst of them.
    unsaid: u32,
    unsaid_worst: Option<(f64, String)>,
}

impl ExcursionWatch {
    pub(super) fn new(step: u32) -> Self {
        Self {
            step,
            open: None,
            aside: Vec::new(),
            count: 0,
            longest_us: 0,
            speech: SpeechLimit::new(QUIET_US),
            unsaid: 0,
            unsaid_worst: None,
        }
    }

    /// How many there were, and the longest, µs.
    pub(super) fn counted(&self) -> (u32, i64) {
        (self.count, self.longest_us)
    }

    /// Takes a sample of the step's channel as it was judged; `latest` is what all channels show.
    pub(super) fn sample(
        &mut self,
        sample: &Sample,
        verdict: Option<Verdict>,
        limit: Option<&Limit>,
        latest: &[Option<Sample>],
        names: &ChannelNames,
        events: &mut Vec<WatchEvent>,
    ) {
        match (verdict, limit) {
            (Some(Verdict::OutOfLimit), Some(limit)) => self.out(sample, limit, latest, names, events),
            (Some(Verdict::InLimit), _) => self.end(sample.at, true, names, events),
            // Near the limit: it goes on until the value is surely well again, and counts to here if it is.
            (Some(Verdict::TooCloseToCall), _) => {
                if let Some(open) = &mut self.open {
                    open.back.get_or_insert(sample.at);
                }
            }
            _ => self.end(sample.at, false, names, events),
        }
    }

    fn out(
        &mut self,
        sample: &Sample,
        limit: &Limit,
        latest: &[Option<Sample>],
        names: &ChannelNames,
        events: &mut Vec<WatchEvent>,
    ) {
        let depth = excess(limit, sample.value);
        if let Some(open) = &mut self.open {
            open.back = None;
            if depth > open.depth {
                (open.depth, open.worst) = (depth, *sample);
                self.aside.clear();
                self.aside.extend_from_slice(latest);
            }
            return;
        }
        self.count += 1;
        self.aside.clear();
        self.aside.extend_from_slice(latest);
        let open = OpenExcursion {
            number: self.count,
            limit: *limit,
            began: sample.at,
            back: None,
            worst: *sample,
            depth,
            is_said: self.speech.pass(sample.at),
        };
        self.open = Some(open.clone());
        self.publish(&open, None, names, events);
        if open.is_said {
            events.push(WatchEvent::Say(self.excursion(&open, None, names).text()));
        }
    }

    /// Ends the one that lasts; `is_well` says whether the value is in limit, or just no longer judged.
    pub(super) fn end(&mut self, at: Mono, is_well: bool, names: &ChannelNames, events: &mut Vec<WatchEvent>) {
        let Some(open) = self.open.take() else { return };
        let ended = open.back.unwrap_or(at);
        self.longest_us = self.longest_us.max(ended.since(open.began));
        self.publish(&open, Some(ended), names, events);
        if !open.is_said {
            self.unsaid += 1;
            if self.unsaid_worst.as_ref().is_none_or(|(depth, _)| open.depth > *depth) {
                self.unsaid_worst = Some((open.depth, open.by_size().shown(Some(&open.limit))));
            }
        } else if is_well {
            events.push(WatchEvent::Say(self.excursion(&open, Some(ended), names).text()));
        }
    }

    /// Says what was held back, once there was quiet for a while.
    pub(super) fn tick(&mut self, now: Mono, names: &ChannelNames, events: &mut Vec<WatchEvent>) {
        if !self.speech.is_open(now) {
            return;
        }
        if let Some(open) = self.open.as_mut().filter(|open| !open.is_said) {
            open.is_said = true;
            let open = open.clone();
            self.speech.pass(now);
            events.push(WatchEvent::Say(self.excursion(&open, None, names).text()));
        } else if let Some((_, worst)) = self.unsaid_worst.take() {
            self.speech.pass(now);
            let times = match std::mem::take(&mut self.unsaid) {
                1 => "once more".to_owned(),
                many => format!("{many} more times"),
            };
            let name = names.own();
            events.push(WatchEvent::Say(format!("{name} was out of limit {times}, worst {worst}")));
        }
    }

    fn publish(&self, open: &OpenExcursion, ended: Option<Mono>, names: &ChannelNames, events: &mut Vec<WatchEvent>) {
        if open.number <= MOST {
            events.push(WatchEvent::Excursion(Box::new(self.excursion(open, ended, names))));
        } else if open.number == MOST + 1 && ended.is_none() {
            let text = format!("{} was out of limit {MOST} times: from now on it is only counted", names.own());
            events.push(WatchEvent::Say(text));
        }
    }

    fn excursion(&self, open: &OpenExcursion, ended: Option<Mono>, names: &ChannelNames) -> Excursion {
        let worst = open.by_size();
        Excursion {
            step: self.step,
            number: open.number,
            channel: names.own().to_owned(),
            quantity: open.worst.quantity,
            limit: open.limit,
            began: open.began,
            ended,
            worst: worst.value,
            worst_shown: worst.shown(Some(&open.limit)),
            worst_at: worst.at,
            shown: names.shown(&self.aside, worst.at),
        }
    }
}

impl OpenExcursion {
    /// The worst sample. A drop has its size; its sign is that of the leads.
    fn by_size(&self) -> Sample {
        match self.worst.value {
            Value::Number(number) if is_judged_by_size(&self.limit) => {
                Sample { value: Value::Number(number.abs()), ..self.worst }
            }
            _ => self.worst,
        }
    }
}

/// What channels are called, and which one the step looks at.
#[derive(Debug, Clone, Default)]
pub(super) struct ChannelNames {
    names: Vec<String>,
    own: Option<usize>,
}

/// What a channel showed longer ago says nothing of now, µs.
const FRESH_US: i64 = 2_000_000;

impl ChannelNames {
    pub(super) fn set(&mut self, index: usize, name: &str, is_own: bool) {
        if index >= self.names.len() {
            self.names.resize(index + 1, String::new());
        }
        name.clone_into(&mut self.names[index]);
        if is_own {
            self.own = Some(index);
        }
    }

    pub(super) fn of(&self, index: usize) -> &str {
        self.names.get(index).map_or("", String::as_str)
    }

    pub(super) fn own(&self) -> &str {
        self.own.map_or("", |index| self.of(index))
    }

    /// `feed 12.31 V` for each other channel.
    fn shown(&self, latest: &[Option<Sample>], at: Mono) -> Vec<String> {
        let others = latest.iter().enumerate().filter(|(index, _)| Some(*index) != self.own);
        let fresh = others.filter_map(|(index, sample)| {
            let sample = sample.as_ref().filter(|sample| at.since(sample.at) <= FRESH_US)?;
            Some(format!("{} {}", self.of(index), sample.shown(None)))
        });
        fresh.collect()
    }
}
