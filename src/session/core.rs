//! The core: events and commands in, effects out.

mod commands;
mod inputs;

use std::sync::Arc;

use super::{
    Begin, ChannelState, CommandReply, CoreEvent, CoreInput, Effect, Notice, Record, StepMove, StepView, Verdict,
    clamp_zero::{ClampZeros, SampleZero},
    derived_channels::DerivedChannels,
    findings::Finding,
    judge::{StepEvent, VoidCapture},
    meters::MeterState,
    open_session::{BenchView, Session},
    proof::Ask,
    record::{EventKind, SessionExit, StepExit},
    undo::OperatorAct,
};
use crate::{
    channel::{Channel, ChannelId, Conversion, MeterId, Sample},
    clock::Mono,
    protocol::Value,
};

/// The state of the core.
#[derive(Debug, Default)]
pub struct Core {
    channels: Vec<Option<Channel>>,
    meters: Vec<MeterState>,
    latest: Vec<Option<LatestSample>>,
    has_unread: bool,
    alarms: Vec<(String, String)>,
    zeros: ClampZeros,
    derived: DerivedChannels,
    session: Option<Session>,
    /// What `undo` would undo.
    last_act: Option<OperatorAct>,
    /// Events of the active step; empty between calls, kept to reuse its memory.
    events: Vec<StepEvent>,
    /// Whether clients were sent a question that still waits.
    asking: bool,
    /// Whether steps begin and end when they did in the first record, instead of by themselves.
    moves_by_record: bool,
    /// Captures of the first record that do not count.
    void: Vec<VoidCapture>,
}

/// The newest sample of a channel and the verdict on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LatestSample {
    /// The sample.
    pub sample: Sample,
    /// The verdict against the limit of the step; none without a limit.
    pub verdict: Option<Verdict>,
    /// Whether the session knows it: it came in it, or could still be taken as it began.
    is_of_session: bool,
    /// The least and the greatest number since [`Core::mark_read`]; none where no number came.
    pub unread: Option<(f64, f64)>,
}

impl LatestSample {
    /// Of a channel that had none.
    fn first(sample: Sample) -> Self {
        Self { sample, verdict: None, is_of_session: true, unread: None }
    }

    /// A newer sample takes its place; the extremes that nobody has read yet are kept.
    fn replace(&mut self, sample: &Sample, verdict: Option<Verdict>) {
        let unread = match (self.unread, sample.value) {
            (Some((least, greatest)), Value::Number(value)) => Some((least.min(value), greatest.max(value))),
            (None, Value::Number(value)) => Some((value, value)),
            (unread, _) => unread,
        };
        *self = Self { sample: *sample, verdict, is_of_session: true, unread };
    }
}

impl Core {
    /// A core that watches these meters, with no session open.
    pub fn new(meters: impl IntoIterator<Item = String>) -> Self {
        let meters = meters.into_iter();
        Self { meters: meters.map(MeterState::new).collect(), ..Self::default() }
    }

    /// From these meters readings are expected, though no channel of theirs is known before their first frame.
    pub(crate) fn expect_readings(&mut self, meters: impl Iterator<Item = MeterId>) {
        for meter in meters {
            if let Some(state) = self.meters.get_mut(usize::from(meter.0)) {
                state.expected = true;
            }
        }
    }

    /// Handles an event.
    pub fn handle(&mut self, at: Mono, event: CoreEvent, effects: &mut Vec<Effect>) {
        match event {
            CoreEvent::Samples(samples) => self.samples(samples, SampleZero::StillIn, effects),
            CoreEvent::StoredSamples(samples) => self.samples(samples, SampleZero::TakenOff, effects),
            CoreEvent::StoredZero(id, zeroed) => {
                self.zeros.restore(usize::from(id.0), zeroed, true);
                self.zeroed(at, id, zeroed, effects);
            }
            CoreEvent::Channel(id, channel) => {
                self.keep_input(at, || CoreInput::Channel(ChannelState::of(id, &channel)), effects);
                self.channel(at, id, channel, effects);
                for (id, derived) in self.derived.channel_found(&self.channels) {
                    self.zeros.need_none(usize::from(id.0));
                    self.channel(at, id, derived, effects);
                }
            }
            CoreEvent::Derived(id, spec) => self.derived.add(id, spec),
            CoreEvent::MeterOpened(meter) => self.meter(at, meter, None, effects),
            CoreEvent::MeterLost(meter, why) => self.meter(at, meter, Some(why), effects),
            CoreEvent::MeterIdentity(meter, text) => self.meter_identity(at, meter, text, effects),
            CoreEvent::FrameCounts(meter, counts) => {
                if let Some(meter) = self.meters.get_mut(usize::from(meter.0)) {
                    meter.count_frames(counts);
                }
            }
            CoreEvent::Remark { kind, subject, text } => self.remark(at, kind, subject, text, effects),
            CoreEvent::Alarm { key, text } => self.alarm(key, text),
            CoreEvent::Paused(text) => {
                // Silence of the meters counts from now: nobody listened before.
                self.meters.iter_mut().for_each(|meter| meter.listened_again(at));
                self.remark(at, EventKind::NotRunning, String::new(), text, effects);
            }
            CoreEvent::Findings { session, captures, findings } => {
                if let Some(open) = &mut self.session {
                    open.concluded(session, captures, findings, effects);
                }
            }
            CoreEvent::Tick => self.tick(at, effects),
            CoreEvent::Anchor(wall) => {
                if self.session.is_some() {
                    effects.push(Effect::Record(Record::Anchor(at, wall)));
                }
            }
        }
        self.close_ask(effects);
    }

    /// Ends the session, if one is open.
    pub fn end(&mut self, at: Mono, how: SessionExit, effects: &mut Vec<Effect>) -> Option<CommandReply> {
        self.session.as_ref()?;
        self.report_session_totals(at, effects);
        let mut session = self.session.take()?;
        self.last_act = None;
        let judged = session.leave(at, StepExit::SessionEnd, &self.channels, effects);
        session.put_back(at, effects);
        session.findings.finish();
        if !session.findings.ranked().is_empty() {
            let (findings, ends_at) = (session.findings.ranked().to_vec(), session.findings.ends_at());
            effects.push(Effect::Record(Record::Findings { findings, ends_at }));
        }
        effects.push(Effect::Record(Record::SessionEnded(at, how)));
        effects.push(Effect::Notice(Notice::SessionEnded(how)));
        Some(CommandReply::Ended { id: session.begin.id, judged })
    }

    fn report_session_totals(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for index in 0..self.meters.len() {
            for (kind, text) in self.meters[index].session_totals() {
                let subject = self.meters[index].name.clone();
                self.remark(at, kind, subject, text, effects);
            }
        }
    }

    fn begin(&mut self, at: Mono, begin: Begin, effects: &mut Vec<Effect>) -> CommandReply {
        let ended = match self.end(at, SessionExit::Replaced, effects) {
            Some(CommandReply::Ended { id, .. }) => Some(id),
            _ => None,
        };
        let id = begin.id;
        let title = begin.procedure.as_ref().map_or("free-running", |procedure| &procedure.title);
        effects.push(Effect::Notice(Notice::SessionBegan(title.to_owned())));
        effects.push(Effect::Record(Record::SessionBegan(at, Box::new(begin.clone()))));
        for (index, channel) in self.channels.iter().enumerate() {
            if let (Ok(id), Some(channel)) = (u16::try_from(index), channel) {
                effects.push(Effect::Record(Record::Channel(ChannelId(id), Box::new(channel.clone()))));
            }
        }
        self.zeros.mark_stale();
        self.derived.restart();
        self.keep_bench(at, &begin, effects);
        let mut session = Session::new(begin, at, effects);
        session.moves_by_record = self.moves_by_record;
        session.void.clone_from(&self.void);
        let step = session.first(at, &BenchView { channels: &self.channels, zeros: &self.zeros }, effects);
        self.session = Some(session);
        self.remember_meters(at, effects);
        CommandReply::Begun { id, ended, step }
    }

    /// A new session records which meters are missing as it begins, and the identity of the others.
    fn remember_meters(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for meter in &mut self.meters {
            meter.begin_counting();
            if let Some(text) = meter.reset_reported() {
                effects.push(Effect::Record(Record::Event(at, EventKind::Identity, meter.name.clone(), text)));
            }
        }
        let absent = self.meters.iter().filter(|meter| !meter.open && meter.since.is_some());
        for meter in absent {
            let (subject, text) = (meter.name.clone(), meter.why.clone());
            effects.push(Effect::Record(Record::Event(at, EventKind::MeterLost, subject, text)));
        }
    }

    /// Samples are handled one by one, so that the same samples give the same verdicts however they
    /// were split into chunks: where one ends a step, the rest of the chunk belongs to the next step.
    fn samples(&mut self, mut samples: Vec<Sample>, zero: SampleZero, effects: &mut Vec<Effect>) {
        // All samples of a chunk are from one meter: the first and the last show its pauses.
        for place in [0, samples.len().saturating_sub(1)] {
            if let Some((channel, at)) = samples.get(place).map(|sample| (sample.channel, sample.at)) {
                self.reading_received(channel, at, effects);
            }
        }
        for sample in &mut samples {
            // The database knows no negative zero.
            if let Value::Number(value) = &mut sample.value {
                *value += 0.0;
            }
            let channel = self.channels.get(usize::from(sample.channel.0)).and_then(Option::as_ref);
            self.zeros.apply(sample, channel.map_or(&Conversion::NONE, |channel| &channel.conversion), zero);
        }
        let mut samples = self.derived.extend(samples);
        let mut verdicts = Vec::with_capacity(samples.len());
        let mut next = 0;
        while next < samples.len() {
            let sample = &mut samples[next];
            next += 1;
            let mut step = self.session.as_mut().and_then(|session| session.step.as_mut());
            let verdict = step.as_mut().and_then(|step| step.sample(sample, &mut self.events));
            verdicts.push(verdict);
            let at = sample.at;
            if let Some(latest) = self.latest.get_mut(usize::from(sample.channel.0)) {
                latest.get_or_insert_with(|| LatestSample::first(*sample)).replace(sample, verdict);
                self.has_unread = true;
            }
            if !self.events.is_empty() {
                let rest = samples.split_off(next);
                self.store(std::mem::replace(&mut samples, rest), std::mem::take(&mut verdicts), effects);
                next = 0;
                self.handle_step_events(at, effects);
            }
        }
        self.store(samples, verdicts, effects);
    }

    fn store(&mut self, samples: Vec<Sample>, verdicts: Vec<Option<Verdict>>, effects: &mut Vec<Effect>) {
        if let Some(session) = self.session.as_mut().filter(|_| !samples.is_empty()) {
            session.samples += samples.len() as u64;
            effects.push(Effect::Record(Record::Samples(samples, verdicts)));
        }
    }

    fn reading_received(&mut self, channel: ChannelId, at: Mono, effects: &mut Vec<Effect>) {
        let Some(Some(channel)) = self.channels.get(usize::from(channel.0)) else { return };
        let Some(meter) = self.meters.get_mut(usize::from(channel.meter.0)) else { return };
        if let Some(silence) = meter.reading_received(at) {
            let name = meter.name.clone();
            self.alarm(format!("silent {name}"), None);
            let text = format!("readings again, after {:.0} s", silence as f64 / 1e6);
            self.remark(at, EventKind::MeterFound, name, text, effects);
        }
    }

    /// Reports meters that send nothing: switched off, or never switched on.
    fn check_silence(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for index in 0..self.meters.len() {
            let is_its = |channel: &Channel| usize::from(channel.meter.0) == index;
            // A foot switch sends no readings: a meter without a channel may be one.
            let is_unintelligible = self.meters[index].is_unintelligible();
            if !is_unintelligible && !self.meters[index].expected && !self.channels.iter().flatten().any(is_its) {
                continue;
            }
            let Some(silence) = self.meters[index].fell_silent(at) else { continue };
            let name = self.meters[index].name.clone();
            let seconds = silence as f64 / 1e6;
            let text = if is_unintelligible {
                format!(
                    "what \"{name}\" sends can't be read, for {seconds:.0} s: check its protocol and the speed of its line; \
                     `bayline identify` finds both"
                )
            } else {
                format!("no reading from \"{name}\" for {seconds:.0} s: check that it is switched on and sends data")
            };
            self.alarm(format!("silent {name}"), Some(text.clone()));
            self.remark(at, EventKind::MeterSilent, name, text, effects);
        }
    }

    fn tick(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        self.check_silence(at, effects);
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            if step.tick(at, &mut self.events) {
                self.keep_input(at, || CoreInput::Tick, effects);
            }
            self.handle_step_events(at, effects);
        }
    }

    fn handle_step_events(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let mut events = std::mem::take(&mut self.events);
        for event in events.drain(..) {
            match event {
                StepEvent::Captured(capture) => self.keep_captures(vec![*capture], effects),
                StepEvent::Say(text) => effects.extend(Effect::announce(at, text)),
                StepEvent::Ask(ask) => self.put_ask(at, ask, effects),
                StepEvent::Watched(event) => effects.extend(event.effects(at)),
                StepEvent::Count(seconds) => effects.push(Effect::Notice(Notice::Count(seconds))),
                StepEvent::Lifted => self.lifted(at, effects),
                StepEvent::TimeUp if self.moves_by_record => {}
                StepEvent::TimeUp => {
                    let text = "let go: it has been on for as long as allowed; the step is ended";
                    effects.extend(Effect::announce(at, text.to_owned()));
                    if let Some(session) = &mut self.session {
                        let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
                        session.time_up(at, &bench, effects);
                    }
                }
            }
        }
        self.events = events;
    }

    /// Puts a question to the operator. How to touch the battery is said with the first one that wants it.
    fn put_ask(&mut self, at: Mono, mut ask: Ask, effects: &mut Vec<Effect>) {
        let Some(session) = &mut self.session else { return };
        if ask.touches_battery && !std::mem::replace(&mut session.battery_cautioned, true) {
            ask.text = format!("{} {}", ask.text, Ask::BATTERY_CAUTION);
        }
        if let Some(step) = &mut session.step {
            step.judge.proof.put(ask.clone());
        }
        self.asking = true;
        effects.push(Effect::Record(Record::Event(at, EventKind::Announced, String::new(), ask.text.clone())));
        effects.push(Effect::Notice(Notice::Ask(Box::new(ask))));
    }

    /// Notifies clients when a question no longer waits for an answer.
    fn close_ask(&mut self, effects: &mut Vec<Effect>) {
        if self.asking && self.ask().is_none() {
            self.asking = false;
            effects.push(Effect::Notice(Notice::AskOver));
        }
    }

    /// The lead was lifted after a capture: go to the next step, where the procedure says so.
    fn lifted(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let Some(session) = self.session.as_mut().filter(|session| session.advances()) else { return };
        // After the last step the move is refused and changes nothing.
        drop(session.go(at, StepMove::Next, &BenchView { channels: &self.channels, zeros: &self.zeros }, effects));
    }

    fn channel(&mut self, at: Mono, id: ChannelId, channel: Channel, effects: &mut Vec<Effect>) {
        let index = usize::from(id.0);
        if index >= self.channels.len() {
            self.channels.resize(index + 1, None);
            self.latest.resize(index + 1, None);
        }
        self.channels[index] = Some(channel.clone());
        if let Some(session) = &mut self.session {
            let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
            session.channel_found(at, id, &channel, &bench, effects);
            effects.push(Effect::Record(Record::Channel(id, Box::new(channel))));
        }
    }

    fn meter(&mut self, at: Mono, meter: MeterId, lost: Option<String>, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        // It is still missing, for another reason now: the alarm tells the present, and the loss is one event.
        if let Some(why) = lost.as_ref().filter(|_| state.is_missing()) {
            state.why.clone_from(why);
            return self.alarm(format!("meter {name}"), Some(format!("meter \"{name}\" is not there: {why}")));
        }
        state.changed(at, lost.as_deref());
        self.alarm(format!("silent {name}"), None);
        self.alarm(format!("meter {name}"), lost.as_ref().map(|why| format!("meter \"{name}\" is not there: {why}")));
        let Some(why) = lost else {
            return self.remark(at, EventKind::MeterFound, name, "its port is open".to_owned(), effects);
        };
        self.keep_input(at, || CoreInput::MeterLost(meter.0), effects);
        let channels = &self.channels;
        let gone = |id: ChannelId| {
            channels.get(usize::from(id.0)).and_then(Option::as_ref).is_some_and(|channel| channel.meter == meter)
        };
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            step.lost(at, gone, &mut self.events);
        }
        self.derived.lost(gone);
        for (index, latest) in self.latest.iter_mut().enumerate() {
            if u16::try_from(index).is_ok_and(|id| gone(ChannelId(id))) {
                *latest = None;
            }
        }
        self.handle_step_events(at, effects);
        self.remark(at, EventKind::MeterLost, name, why, effects);
    }

    /// The same meter plugged in again is not recorded again.
    fn meter_identity(&mut self, at: Mono, meter: MeterId, identity: String, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        if let Some(text) = state.set_identity(identity) {
            self.remark(at, EventKind::Identity, name, text, effects);
        }
    }

    fn remark(&mut self, at: Mono, kind: EventKind, subject: String, text: String, effects: &mut Vec<Effect>) {
        effects.push(Effect::Notice(Notice::Event { kind, subject: subject.clone(), text: text.clone() }));
        if self.session.is_some() {
            effects.push(Effect::Record(Record::Event(at, kind, subject, text)));
        }
    }

    fn alarm(&mut self, key: String, text: Option<String>) {
        self.alarms.retain(|(other, _)| *other != key);
        if let Some(text) = text {
            self.alarms.push((key, text));
        }
    }

    fn channel_name(&self, id: Option<ChannelId>) -> String {
        id.and_then(|id| self.channels.get(usize::from(id.0)))
            .and_then(Option::as_ref)
            .map_or(String::new(), |channel| channel.name.clone())
    }

    /// The newest sample of each channel.
    pub fn latest(&self) -> impl Iterator<Item = (&Channel, &LatestSample)> {
        self.channels
            .iter()
            .zip(&self.latest)
            .filter_map(|(channel, latest)| Some((channel.as_ref()?, latest.as_ref()?)))
    }

    /// Whether a sample came since [`Core::mark_read`].
    pub fn has_unread(&self) -> bool {
        self.has_unread
    }

    /// Who watches has been sent what the channels show; their extremes begin anew.
    pub fn mark_read(&mut self) {
        self.has_unread = false;
        for latest in self.latest.iter_mut().flatten() {
            latest.unread = None;
        }
    }

    /// All channels known so far.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.channels.iter().flatten()
    }

    /// The state of each meter.
    pub fn meters(&self) -> &[MeterState] {
        &self.meters
    }

    /// The present alarms.
    pub fn alarms(&self) -> impl Iterator<Item = &str> {
        self.alarms.iter().map(|(_, text)| text.as_str())
    }

    /// The findings from the captures so far, the best first.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.session.as_ref().map_or(&[][..], |session| session.findings.ranked()).iter()
    }

    /// Whether captures came that the findings do not rest on yet.
    pub fn findings_pending(&self) -> bool {
        self.session.as_ref().is_some_and(|session| session.findings.is_pending())
    }

    /// The question that waits for an answer.
    pub fn ask(&self) -> Option<&Ask> {
        self.session.as_ref()?.step.as_ref()?.judge.proof.ask()
    }

    /// What the step is judged on now, where that is the shape of its signal.
    pub fn shape(&self) -> Option<super::Judgement> {
        self.session.as_ref()?.step.as_ref()?.shape()
    }

    /// The step that is on.
    pub fn step_view(&self) -> Option<&Arc<StepView>> {
        Some(&self.session.as_ref()?.step.as_ref()?.view)
    }

    /// The open session: what it began with, when, and how many samples it has.
    pub fn session(&self) -> Option<(&Begin, Mono, u64)> {
        self.session.as_ref().map(|session| (&session.begin, session.began, session.samples))
    }
}
