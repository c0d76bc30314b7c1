//! Everything that is watched during one step. What the step is judged on stands in `judged`.

mod judged;

use super::{
    WatchEvent,
    change::{ChangeDetector, LevelChange, SignalChange},
    dropout::{DropOut, DropOutDetector},
    excursion::{ChannelNames, ExcursionWatch},
    intermittent::Intermittent,
    response::{RespondingChannel, ResponseWatch},
    speech_limit::SpeechLimit,
    supply::SupplyWatch,
};
use crate::{
    channel::{Channel, ChannelId, MeterId, Sample},
    clock::Mono,
    procedure::{CaptureMode, ResponseRule, ResponseTrigger},
    session::{PreviousWatch, Verdict, judge::WatchRules},
    units::{Limit, Quantity},
};

/// At most one drop-out in this time is said aloud while watching, µs.
const QUIET_US: i64 = 5_000_000;
/// The same while the harness is moved: the hand must learn at once what it moved.
const WIGGLE_QUIET_US: i64 = 1_000_000;
/// Drop-outs of other channels that belong to the first are known after this time beside their sample interval, µs.
const GATHER_US: i64 = 300_000;
/// So many drop-outs are kept of one step; further ones are only counted.
const MOST: u32 = 1000;
/// The same for changes.
const MOST_CHANGES: u32 = 10_000;

/// A sample of the step's channel as it was judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct JudgedSample<'a> {
    /// With its sign as it counts.
    pub sample: &'a Sample,
    /// None where there is nothing to judge by.
    pub verdict: Option<Verdict>,
    /// What it was judged against.
    pub limit: Option<&'a Limit>,
}

/// Watches one step.
#[derive(Debug, Clone)]
pub(crate) struct StepWatch {
    step: u32,
    mode: CaptureMode,
    names: ChannelNames,
    /// By channel.
    latest: Vec<Option<Sample>>,
    excursions: ExcursionWatch,
    /// By channel; none where nothing can drop out.
    detectors: Vec<Option<DropOutDetector>>,
    /// By channel; none where changes don't matter.
    changes: Vec<Option<ChangeDetector>>,
    /// By channel: its meter.
    meters: Vec<(MeterId, String)>,
    responses: Vec<ResponseWatch>,
    /// Where the step looks ahead, or for ripple.
    supply: Option<SupplyWatch>,
    change_count: u32,
    response_count: u32,
    gathered: Option<Intermittent>,
    /// By the channels that fell: how often.
    causes: Vec<(Vec<String>, u32)>,
    count: u32,
    /// What was found before the session was cut off in this step.
    before: PreviousWatch,
    speech: SpeechLimit,
    response_speech: SpeechLimit,
    began: Mono,
}

impl StepWatch {
    /// Begins to watch the step of this number.
    pub(crate) fn new(
        step: u32,
        mode: CaptureMode,
        began: Mono,
        rules: Vec<ResponseRule>,
        watched: &WatchRules,
    ) -> Self {
        let quiet = if mode == CaptureMode::Wiggle { WIGGLE_QUIET_US } else { QUIET_US };
        Self {
            step,
            mode,
            names: ChannelNames::default(),
            latest: Vec::new(),
            excursions: ExcursionWatch::new(step),
            detectors: Vec::new(),
            changes: Vec::new(),
            meters: Vec::new(),
            responses: rules.into_iter().map(ResponseWatch::new).collect(),
            supply: SupplyWatch::new(watched),
            change_count: 0,
            response_count: 0,
            gathered: None,
            causes: Vec::new(),
            count: 0,
            before: PreviousWatch::default(),
            speech: SpeechLimit::new(quiet),
            response_speech: SpeechLimit::new(QUIET_US),
            began,
        }
    }

    /// A channel became known; `is_own` says whether it is the one that the step looks at.
    pub(crate) fn channel_found(&mut self, id: ChannelId, channel: &Channel, is_own: bool) {
        let index = usize::from(id.0);
        self.names.set(index, &channel.name, is_own);
        if index >= self.latest.len() {
            self.latest.resize(index + 1, None);
            self.detectors.resize(index + 1, None);
            self.changes.resize(index + 1, None);
            self.meters.resize(index + 1, (MeterId(0), String::new()));
        }
        self.meters[index] = (channel.meter, channel.meter_name.clone());
        for response in 0..self.responses.len() {
            let rule = &self.responses[response].rule;
            let meter = |name: &str| self.index_of(name).map(|index| self.meters[index].0);
            self.responses[response].other_meter = match &rule.trigger {
                ResponseTrigger::Change(trigger, _) => meter(trigger) != meter(&rule.channel),
                ResponseTrigger::Mark(_) => false,
            };
        }
    }

    /// The meter of the step's channel.
    fn board(&self) -> &str {
        self.index_of(self.names.own()).map_or("the meter", |index| &self.meters[index].1)
    }

    fn index_of(&self, name: &str) -> Option<usize> {
        (0..self.latest.len()).find(|index| self.names.of(*index) == name)
    }

    /// So much was found in this step before the session was cut off.
    pub(crate) fn seen_before(&mut self, before: PreviousWatch) {
        self.before = before;
    }

    /// The operator marked a moment.
    pub(crate) fn mark(&mut self, at: Mono, text: &str, events: &mut Vec<WatchEvent>) {
        for response in &mut self.responses {
            response.mark(at, text);
        }
        self.respond(Some(at), events);
    }

    /// Takes one more sample of any channel; `judged` is the same one where it is of the step's channel.
    pub(crate) fn sample(&mut self, sample: &Sample, judged: Option<JudgedSample>, events: &mut Vec<WatchEvent>) {
        let index = usize::from(sample.channel.0);
        if let Some(latest) = self.latest.get_mut(index) {
            *latest = Some(*sample);
        }
        if let Some(JudgedSample { sample, verdict, limit }) = judged {
            self.excursions.sample(sample, verdict, limit, &self.latest, &self.names, events);
            if let Some(supply) = &mut self.supply {
                supply.sample(sample, verdict, limit, self.names.own(), events);
            }
        }
        self.drop_out(index, sample, events);
        self.close_gathered(sample.at, events);
        if self.mode == CaptureMode::Worst {
            self.change(index, sample, events);
            self.respond(Some(sample.at), events);
        }
    }

    /// Volts and amps, and what a rule names.
    fn change(&mut self, index: usize, sample: &Sample, events: &mut Vec<WatchEvent>) {
        let Some(detector) = self.changes.get_mut(index) else { return };
        if detector.as_ref().is_none_or(|detector| detector.quantity() != sample.quantity) {
            let name = self.names.of(index);
            let is_named = self.responses.iter().any(|response| response.rule.names(name));
            let is_wanted = is_named || matches!(sample.quantity, Quantity::VoltsDc | Quantity::AmpsDc);
            *detector = is_wanted.then(|| ChangeDetector::new(sample.quantity));
        }
        let Some(change) = detector.as_mut().and_then(|detector| detector.sample(sample)) else { return };
        let name = self.names.of(index);
        for response in &mut self.responses {
            response.change(name, change);
        }
        self.keep_change(name.to_owned(), sample.quantity, change, events);
    }

    fn keep_change(&mut self, channel: String, quantity: Quantity, change: LevelChange, events: &mut Vec<WatchEvent>) {
        self.change_count += 1;
        if self.change_count <= MOST_CHANGES {
            let (step, number) = (self.step, self.change_count);
            events.push(WatchEvent::Change(Box::new(SignalChange { step, number, channel, quantity, change })));
        }
    }

    /// Takes what is decided; at the end of the step, `now` is none and nothing waits longer.
    fn respond(&mut self, now: Option<Mono>, events: &mut Vec<WatchEvent>) {
        for place in 0..self.responses.len() {
            while self.responses[place].is_waiting() {
                let index = self.index_of(&self.responses[place].rule.channel);
                let detector = index.and_then(|index| self.changes[index].as_ref());
                let channel = RespondingChannel {
                    quantity: detector.map(ChangeDetector::quantity),
                    level: detector.and_then(ChangeDetector::level),
                    digit: detector.and_then(ChangeDetector::digit),
                    interval_us: detector.map_or(0, ChangeDetector::interval_us),
                    meter: index.map_or("", |index| &self.meters[index].1),
                };
                let Some(mut response) = self.responses[place].decided(now, channel) else { break };
                self.response_count += 1;
                (response.step, response.number) = (self.step, self.response_count);
                let is_good = response.judgement.verdict() == Some(Verdict::InLimit);
                if !is_good && self.response_speech.pass(now.unwrap_or(response.at)) {
                    events.push(WatchEvent::Say(response.judgement.reason.clone()));
                }
                if response.number <= MOST {
                    events.push(WatchEvent::Response(Box::new(response)));
                }
            }
        }
    }

    fn drop_out(&mut self, index: usize, sample: &Sample, events: &mut Vec<WatchEvent>) {
        let Some(detector) = self.detectors.get_mut(index) else { return };
        if detector.as_ref().is_none_or(|detector| detector.quantity() != sample.quantity) {
            *detector = DropOutDetector::for_quantity(sample.quantity);
        }
        let Some(detector) = detector else { return };
        let Some(found) = detector.sample(sample) else { return };
        let interval_us = detector.interval_us();
        let channel = self.names.of(index).to_owned();
        if self.mode == CaptureMode::Wiggle {
            events.push(WatchEvent::Tick(channel.clone()));
        }
        let part = DropOut {
            channel,
            quantity: sample.quantity,
            began: found.began,
            ended: found.ended,
            level: found.level,
            least: found.least,
            samples: found.samples,
            digit: found.digit,
        };
        match &mut self.gathered {
            Some(gathered) if gathered.takes(&part, interval_us) => gathered.parts.push(part),
            _ => {
                self.emit(sample.at, events);
                self.count += 1;
                self.gathered =
                    Some(Intermittent { step: self.step, number: self.count, parts: vec![part], others_held: false });
            }
        }
    }

    /// Once no other channel can still belong to it.
    fn close_gathered(&mut self, now: Mono, events: &mut Vec<WatchEvent>) {
        let Some(gathered) = &self.gathered else { return };
        let detectors = || self.detectors.iter().flatten();
        let slowest = detectors().map(DropOutDetector::interval_us).max().unwrap_or(0);
        if now.since(gathered.ended()) > GATHER_US + 2 * slowest && !detectors().any(DropOutDetector::is_fallen) {
            self.emit(now, events);
        }
    }

    fn emit(&mut self, now: Mono, events: &mut Vec<WatchEvent>) {
        let Some(mut gathered) = self.gathered.take() else { return };
        let alive = self.detectors.iter().flatten().filter(|detector| detector.is_alive()).count();
        gathered.others_held = alive > gathered.parts.len();
        gathered.parts.sort_by(|one, other| one.began.cmp(&other.began).then_with(|| one.channel.cmp(&other.channel)));
        let mut cause: Vec<String> = gathered.parts.iter().map(|part| part.channel.clone()).collect();
        cause.sort();
        match self.causes.iter_mut().find(|(channels, _)| *channels == cause) {
            Some((_, count)) => *count += 1,
            None => self.causes.push((cause, 1)),
        }
        if self.speech.pass(now) {
            events.push(WatchEvent::Say(gathered.text()));
        }
        if gathered.number <= MOST {
            events.push(WatchEvent::Intermittent(Box::new(gathered)));
        }
    }

    /// Handles a tick: what waited for quiet is said. What is kept depends on samples alone, so that judging again finds the same.
    pub(crate) fn tick(&mut self, now: Mono, events: &mut Vec<WatchEvent>) {
        self.excursions.tick(now, &self.names, events);
    }

    /// The meters of these channels were lost.
    pub(crate) fn lost(&mut self, now: Mono, gone: impl Fn(ChannelId) -> bool, events: &mut Vec<WatchEvent>) {
        for (index, latest) in self.latest.iter_mut().enumerate() {
            let Some(sample) = latest.filter(|sample| gone(sample.channel)) else { continue };
            *latest = None;
            (self.detectors[index], self.changes[index]) = (None, None);
            if self.names.of(index) == self.names.own() {
                self.excursions.end(sample.at.min(now), false, &self.names, events);
            }
        }
    }

    /// The step ends.
    pub(crate) fn close(&mut self, now: Mono, events: &mut Vec<WatchEvent>) {
        self.excursions.end(now, false, &self.names, events);
        self.emit(now, events);
        self.respond(None, events);
    }
}
