//! One place that handles what happens: events and commands in, effects out.

use std::sync::Arc;

use super::{
    Begin, Capture, Command, Effect, Event, Judgement, Move, Notice, Record, Refusal, Reply, StepView, Verdict,
    findings::Finding,
    judge::{How, News},
    meters::MeterState,
    progress::{BenchView, Session, said},
    record::{End, EventKind, Left},
    step::named,
    zero::Zeros,
};
use crate::{
    channel::{Channel, ChannelId, MeterId, Sample},
    clock::Mono,
};

/// A reading older than this is not taken in a free-running session.
const FRESH_US: i64 = 3_000_000;

/// The state of the watch.
#[derive(Debug, Default)]
pub struct Core {
    channels: Vec<Option<Channel>>,
    meters: Vec<MeterState>,
    latest: Vec<Option<Latest>>,
    alarms: Vec<(String, String)>,
    zeros: Zeros,
    session: Option<Session>,
    /// What the running step has to tell; empty between events, kept for its memory.
    news: Vec<News>,
}

/// The newest sample of a channel and the verdict on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latest {
    /// The sample.
    pub sample: Sample,
    /// Against the limit of the step; none where there is nothing to judge by.
    pub verdict: Option<Verdict>,
}

impl Core {
    /// A core that watches these meters, with no session open.
    pub fn new(meters: impl IntoIterator<Item = String>) -> Self {
        let meters = meters.into_iter();
        Self { meters: meters.map(MeterState::new).collect(), ..Self::default() }
    }

    /// Something happened.
    pub fn handle(&mut self, at: Mono, event: Event, effects: &mut Vec<Effect>) {
        match event {
            Event::Samples(samples) => self.samples(samples, effects),
            Event::Channel(id, channel) => self.channel(at, id, channel, effects),
            Event::MeterOpened(meter) => self.meter(at, meter, None, effects),
            Event::MeterLost(meter, why) => self.meter(at, meter, Some(why), effects),
            Event::MeterSays(meter, text) => self.meter_says(at, meter, text, effects),
            Event::Remark { kind, subject, text } => self.remark(at, kind, subject, text, effects),
            Event::Alarm { key, text } => self.alarm(key, text),
            Event::Tick => self.tick(at, effects),
            Event::Anchor(wall) => {
                if self.session.is_some() {
                    effects.push(Effect::Record(Record::Anchor(at, wall)));
                }
            }
        }
    }

    /// The operator said something. A refusal has changed nothing.
    pub fn command(&mut self, at: Mono, command: Command, effects: &mut Vec<Effect>) -> Result<Reply, Refusal> {
        match command {
            Command::Begin(begin) => Ok(self.begin(at, begin, effects)),
            Command::End => self.end(at, End::Ended, effects).ok_or(Refusal::NoSession),
            Command::Step(to) => self.go(at, to, effects),
            Command::Take(channel) => self.take(at, channel, effects),
            Command::Zero(channel) => self.zero(at, &channel, effects),
            Command::Mark(text) => self.mark(at, text, effects),
            Command::Note(text) => {
                let text = said(&text, "note")?;
                self.open_session()?;
                self.remark(at, EventKind::Note, String::new(), text, effects);
                Ok(Reply::Kept)
            }
        }
    }

    /// Ends the session, if one is open.
    pub fn end(&mut self, at: Mono, how: End, effects: &mut Vec<Effect>) -> Option<Reply> {
        let mut session = self.session.take()?;
        let judged = session.leave(at, Left::SessionEnd, &self.channels, effects);
        session.put_back(at, effects);
        if !session.knowledge.findings().is_empty() {
            effects.push(Effect::Record(Record::Findings(session.knowledge.findings().to_vec())));
        }
        effects.push(Effect::Record(Record::SessionEnded(at, how)));
        effects.push(Effect::Notice(Notice::SessionEnded(how)));
        Some(Reply::Ended { id: session.begin.id, judged })
    }

    fn begin(&mut self, at: Mono, begin: Begin, effects: &mut Vec<Effect>) -> Reply {
        let ended = match self.end(at, End::Replaced, effects) {
            Some(Reply::Ended { id, .. }) => Some(id),
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
        self.zeros.grow_old();
        let mut session = Session::new(begin, at);
        let step = session.first(at, &BenchView { channels: &self.channels, zeros: &self.zeros }, effects);
        self.session = Some(session);
        self.remember_meters(at, effects);
        Reply::Begun { id, ended, step }
    }

    /// A new session also tells which meters are not there as it begins, and what the others are.
    fn remember_meters(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for meter in &mut self.meters {
            if let Some(text) = meter.tell_anew() {
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
    /// were split: where one ends a step, the rest of the chunk belongs to the next.
    fn samples(&mut self, mut samples: Vec<Sample>, effects: &mut Vec<Effect>) {
        let mut verdicts = Vec::with_capacity(samples.len());
        let mut next = 0;
        while next < samples.len() {
            let sample = &mut samples[next];
            next += 1;
            self.zeros.apply(sample);
            let mut step = self.session.as_mut().and_then(|session| session.step.as_mut());
            let verdict = step.as_mut().and_then(|step| step.sample(sample, &mut self.news));
            verdicts.push(verdict);
            let at = sample.at;
            if let Some(latest) = self.latest.get_mut(usize::from(sample.channel.0)) {
                *latest = Some(Latest { sample: *sample, verdict });
            }
            if !self.news.is_empty() {
                let rest = samples.split_off(next);
                self.store(std::mem::replace(&mut samples, rest), std::mem::take(&mut verdicts), effects);
                next = 0;
                self.tell_news(at, effects);
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
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            step.judge.tick(at, &mut self.news);
            self.tell_news(at, effects);
        }
    }

    fn tell_news(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let mut news = std::mem::take(&mut self.news);
        for news in news.drain(..) {
            match news {
                News::Captured(capture) => self.keep_captures(vec![*capture], effects),
                News::Say(text) => effects.extend(Effect::say(at, text)),
                News::Count(seconds) => effects.push(Effect::Notice(Notice::Count(seconds))),
                News::Lifted => self.lifted(at, effects),
                News::TimeUp => {
                    effects.extend(Effect::say(at, "let go: it has been on for as long as it may".to_owned()));
                    if let Some(session) = &mut self.session {
                        session.leave(at, Left::TimeUp, &self.channels, effects);
                    }
                }
            }
        }
        self.news = news;
    }

    /// The lead was lifted after a capture: on to the next step, where the procedure says so.
    fn lifted(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let Some(session) = self.session.as_mut().filter(|session| session.advances()) else { return };
        // After the last step there is nowhere to go, and nothing has changed.
        drop(session.go(at, Move::Next, &BenchView { channels: &self.channels, zeros: &self.zeros }, effects));
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
        state.changed(at, lost.as_deref());
        self.alarm(format!("meter {name}"), lost.as_ref().map(|why| format!("meter \"{name}\" is not there: {why}")));
        let Some(why) = lost else {
            return self.remark(at, EventKind::MeterFound, name, "its port is open".to_owned(), effects);
        };
        let channels = &self.channels;
        let gone = |id: ChannelId| {
            channels.get(usize::from(id.0)).and_then(Option::as_ref).is_some_and(|channel| channel.meter == meter)
        };
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            step.judge.lost(gone);
        }
        for (index, latest) in self.latest.iter_mut().enumerate() {
            if u16::try_from(index).is_ok_and(|id| gone(ChannelId(id))) {
                *latest = None;
            }
        }
        self.remark(at, EventKind::MeterLost, name, why, effects);
    }

    /// The same meter plugged in again is no news.
    fn meter_says(&mut self, at: Mono, meter: MeterId, identity: String, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        if let Some(text) = state.says(identity) {
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

    fn open_session(&mut self) -> Result<&mut Session, Refusal> {
        self.session.as_mut().ok_or(Refusal::NoSession)
    }

    fn go(&mut self, at: Mono, to: Move, effects: &mut Vec<Effect>) -> Result<Reply, Refusal> {
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        let bench = BenchView { channels: &self.channels, zeros: &self.zeros };
        let (judged, now) = session.go(at, to, &bench, effects)?;
        Ok(Reply::Step { judged, now })
    }

    fn zero(&mut self, at: Mono, channel: &str, effects: &mut Vec<Effect>) -> Result<Reply, Refusal> {
        let id = self.channel_named(channel)?;
        self.open_session()?;
        let zeroed =
            self.zeros.take(usize::from(id.0)).ok_or_else(|| Refusal::NotStill { channel: channel.to_owned() })?;
        effects.push(Effect::Record(Record::Zeroed(at, id, zeroed)));
        Ok(Reply::Zeroed(zeroed))
    }

    fn mark(&mut self, at: Mono, text: String, effects: &mut Vec<Effect>) -> Result<Reply, Refusal> {
        let text = if text.trim().is_empty() { "mark".to_owned() } else { text.trim().to_owned() };
        match self.open_session()?.procedure() {
            None => self.go(at, Move::Named(text), effects),
            Some(_) => {
                self.remark(at, EventKind::Mark, String::new(), text, effects);
                Ok(Reply::Kept)
            }
        }
    }

    fn take(&mut self, at: Mono, channel: Option<String>, effects: &mut Vec<Effect>) -> Result<Reply, Refusal> {
        let wanted = channel.map(|name| self.channel_named(&name)).transpose()?;
        let session = self.session.as_mut().ok_or(Refusal::NoSession)?;
        let judged = session.step.as_mut().filter(|step| {
            let aimed = step.judge.aim.channel;
            step.view.channel.is_some() && (wanted.is_none() || wanted == aimed)
        });
        let captures = match judged {
            Some(step) if step.judge.has_reading(at) => vec![step.judge.take(at)],
            Some(_) => Vec::new(),
            None => self.plain_captures(at, wanted),
        };
        if captures.is_empty() {
            return Err(Refusal::NothingToTake);
        }
        let taken = captures.iter().map(|capture| (self.channel_name(capture.channel), capture.clone())).collect();
        self.keep_captures(captures, effects);
        Ok(Reply::Taken(taken))
    }

    fn keep_captures(&mut self, captures: Vec<Capture>, effects: &mut Vec<Effect>) {
        let view = self.step_view().cloned();
        for capture in captures {
            if let (Some(session), Some(view)) = (&mut self.session, &view) {
                session.advice.captured(view, &capture);
            }
            let number = view.as_ref().map(|view| view.number);
            effects.push(Effect::Record(Record::Captured(number, Box::new(capture.clone()))));
            let step = view.as_ref().map_or(String::new(), |view| view.name.clone());
            let channel = self.channel_name(capture.channel);
            effects.push(Effect::Notice(Notice::Captured { step, channel, capture }));
        }
    }

    /// What every channel shows now, without a limit to judge it by.
    fn plain_captures(&self, at: Mono, wanted: Option<ChannelId>) -> Vec<Capture> {
        let fresh =
            self.latest.iter().flatten().map(|latest| latest.sample).filter(|sample| {
                at.since(sample.at) <= FRESH_US && wanted.is_none_or(|wanted| wanted == sample.channel)
            });
        fresh
            .map(|sample| Capture {
                how: How::Taken,
                at: sample.at,
                channel: Some(sample.channel),
                judgement: Judgement::recorded(&sample),
                settled: None,
                peak: None,
            })
            .collect()
    }

    fn channel_named(&self, name: &str) -> Result<ChannelId, Refusal> {
        named(&self.channels, name).ok_or_else(|| Refusal::UnknownChannel {
            name: name.to_owned(),
            channels: self.channels.iter().flatten().map(|channel| channel.name.clone()).collect(),
        })
    }

    fn channel_name(&self, id: Option<ChannelId>) -> String {
        id.and_then(|id| self.channels.get(usize::from(id.0)))
            .and_then(Option::as_ref)
            .map_or(String::new(), |channel| channel.name.clone())
    }

    /// What each channel showed last.
    pub fn latest(&self) -> impl Iterator<Item = (&Channel, &Latest)> {
        self.channels
            .iter()
            .zip(&self.latest)
            .filter_map(|(channel, latest)| Some((channel.as_ref()?, latest.as_ref()?)))
    }

    /// All channels known so far.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.channels.iter().flatten()
    }

    /// How the ports are.
    pub fn meters(&self) -> &[MeterState] {
        &self.meters
    }

    /// What is wrong now.
    pub fn alarms(&self) -> impl Iterator<Item = &str> {
        self.alarms.iter().map(|(_, text)| text.as_str())
    }

    /// What follows from the captures so far, the best explained first.
    pub fn findings(&self) -> &[Finding] {
        self.session.as_ref().map_or(&[], |session| session.knowledge.findings())
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
