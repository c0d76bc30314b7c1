//! The core: events and commands in, effects out.
//!
//! Reading order: here, `commands` (what the operator asks), `meters` (that come and go), `inputs` (what is kept to judge again),
//! `views` (for those who read).

mod commands;
mod ending;
mod inputs;
mod meters;
mod views;
mod zeroing;

use super::{
    Begin, ChannelState, CommandReply, CoreEvent, CoreInput, Effect, Notice, Record, StepMove, Verdict,
    clamp_zero::{ClampZeros, SampleZero},
    derived_channels::DerivedChannels,
    judge::{StepEvent, VoidCapture},
    meters::MeterState,
    open_session::{BenchView, Session},
    proof::Ask,
    record::{EventKind, SessionExit},
    undo::OperatorAct,
};
use crate::{
    channel::{Channel, ChannelId, Conversion, Sample},
    clock::Mono,
    protocol::Value,
};
use ending::EndingSession;

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
    /// The session before, while its last findings are awaited.
    ending: Option<EndingSession>,
    /// How the last session ended, until that is answered.
    ended: Option<CommandReply>,
    /// The zero that was asked about.
    doubted_zero: Option<zeroing::DoubtedZero>,
    /// Whether an act of the session was undone.
    was_undone: bool,
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
            CoreEvent::Findings { session, captures, findings } => self.concluded(session, captures, findings, effects),
            CoreEvent::NoFindings { session, captures, why } => {
                self.not_concluded(at, (session, captures), why, effects);
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
        for (index, zeroed) in self.zeros.in_use() {
            if let Ok(id) = u16::try_from(index) {
                effects.push(Effect::Record(Record::Zeroed(at, ChannelId(id), zeroed)));
            }
        }
        self.was_undone = false;
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

    /// What the step is judged on now, where that is the shape of its signal.
    pub fn shape(&self) -> Option<super::Judgement> {
        self.session.as_ref()?.step.as_ref()?.shape()
    }
}
