//! One place that handles what happens: events and commands in, effects out.

use std::{collections::HashMap, sync::Arc};

use super::{
    Begin, Capture, Command, Effect, Event, Judgement, Move, Notice, Procedure, Record, Refusal, Reply, StepView,
    Verdict,
    judge::How,
    record::{End, EventKind, Left, StepBegan},
    step::{RunningStep, named},
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
    session: Option<Session>,
}

/// What is known of a meter's port.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterState {
    /// The meter's name.
    pub name: String,
    /// Whether its port is open.
    pub open: bool,
    /// Since when it has been so; none before the first try.
    pub since: Option<Mono>,
    /// Why it is not open; empty where it is.
    pub why: String,
}

/// The newest sample of a channel and the verdict on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latest {
    /// The sample.
    pub sample: Sample,
    /// Against the limit of the step; none where there is nothing to judge by.
    pub verdict: Option<Verdict>,
}

/// A session between its begin and its end.
#[derive(Debug)]
struct Session {
    begin: Begin,
    began: Mono,
    /// Steps begun so far.
    steps: u32,
    /// How often each step was begun.
    attempts: HashMap<String, u32>,
    /// Index into the procedure's steps; their number once all are done.
    place: usize,
    step: Option<RunningStep>,
    samples: u64,
}

impl Core {
    /// A core that watches these meters, with no session open.
    pub fn new(meters: impl IntoIterator<Item = String>) -> Self {
        let meters = meters.into_iter();
        Self {
            meters: meters.map(|name| MeterState { name, open: false, since: None, why: String::new() }).collect(),
            ..Self::default()
        }
    }

    /// Something happened.
    pub fn handle(&mut self, at: Mono, event: Event, effects: &mut Vec<Effect>) {
        match event {
            Event::Samples(samples) => self.samples(samples, effects),
            Event::Channel(id, channel) => self.channel(id, channel, effects),
            Event::MeterOpened(meter) => self.meter(at, meter, None, effects),
            Event::MeterLost(meter, why) => self.meter(at, meter, Some(why), effects),
            Event::Remark { kind, subject, text } => self.remark(at, kind, subject, text, effects),
            Event::Alarm { key, text } => self.alarm(key, text),
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
        let judged = session.leave(at, Left::SessionEnd, effects);
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
                effects.push(Effect::Record(Record::Channel(ChannelId(id), channel.clone())));
            }
        }
        let mut session =
            Session { begin, began: at, steps: 0, attempts: HashMap::new(), place: 0, step: None, samples: 0 };
        let step = session.procedure().is_some().then(|| session.begin_place(at, 0, &self.channels, effects));
        self.session = Some(session);
        self.remember_absent(at, effects);
        Reply::Begun { id, ended, step }
    }

    /// A new session also tells which meters are not there as it begins.
    fn remember_absent(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        let absent = self.meters.iter().filter(|meter| !meter.open && meter.since.is_some());
        for meter in absent {
            let (subject, text) = (meter.name.clone(), meter.why.clone());
            effects.push(Effect::Record(Record::Event(at, EventKind::MeterLost, subject, text)));
        }
    }

    fn samples(&mut self, samples: Vec<Sample>, effects: &mut Vec<Effect>) {
        let mut step = self.session.as_mut().and_then(|session| session.step.as_mut());
        let mut verdicts = Vec::with_capacity(samples.len());
        for sample in &samples {
            let verdict = step.as_mut().and_then(|step| step.sample(sample));
            verdicts.push(verdict);
            if let Some(latest) = self.latest.get_mut(usize::from(sample.channel.0)) {
                *latest = Some(Latest { sample: *sample, verdict });
            }
        }
        if let Some(session) = &mut self.session {
            session.samples += samples.len() as u64;
            effects.push(Effect::Record(Record::Samples(samples, verdicts)));
        }
    }

    fn channel(&mut self, id: ChannelId, channel: Channel, effects: &mut Vec<Effect>) {
        let index = usize::from(id.0);
        if index >= self.channels.len() {
            self.channels.resize(index + 1, None);
            self.latest.resize(index + 1, None);
        }
        if let Some(session) = &mut self.session {
            if let Some(step) = &mut session.step {
                step.channel_found(id, &channel);
            }
            effects.push(Effect::Record(Record::Channel(id, channel.clone())));
        }
        self.channels[index] = Some(channel);
    }

    fn meter(&mut self, at: Mono, meter: MeterId, lost: Option<String>, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        state.open = lost.is_none();
        state.since = Some(at);
        state.why = lost.clone().unwrap_or_default();
        self.alarm(format!("meter {name}"), lost.as_ref().map(|why| format!("meter \"{name}\" is not there: {why}")));
        let Some(why) = lost else {
            return self.remark(at, EventKind::MeterFound, name, "its port is open".to_owned(), effects);
        };
        let channels = &self.channels;
        let gone = |id: ChannelId| {
            channels.get(usize::from(id.0)).and_then(Option::as_ref).is_some_and(|channel| channel.meter == meter)
        };
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            step.meter_lost(gone);
        }
        for (index, latest) in self.latest.iter_mut().enumerate() {
            if u16::try_from(index).is_ok_and(|id| gone(ChannelId(id))) {
                *latest = None;
            }
        }
        self.remark(at, EventKind::MeterLost, name, why, effects);
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
        let (judged, now) = match session.procedure() {
            Some(procedure) => session.go_by_procedure(at, &procedure, &to, &self.channels, effects)?,
            None => session.go_freely(at, to, &self.channels, effects)?,
        };
        Ok(Reply::Step { judged, now })
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
        let number = session.step.as_ref().map(|step| step.view.number);
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
        let step = self.step_view().map_or(String::new(), |view| view.name.clone());
        let taken: Vec<(String, Capture)> =
            captures.into_iter().map(|capture| (self.channel_name(capture.channel), capture)).collect();
        for (channel, capture) in &taken {
            effects.push(Effect::Record(Record::Captured(number, Box::new(capture.clone()))));
            let (step, channel, capture) = (step.clone(), channel.clone(), capture.clone());
            effects.push(Effect::Notice(Notice::Captured { step, channel, capture }));
        }
        Ok(Reply::Taken(taken))
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

    /// The step that is on.
    pub fn step_view(&self) -> Option<&Arc<StepView>> {
        Some(&self.session.as_ref()?.step.as_ref()?.view)
    }

    /// The open session: what it began with, when, and how many samples it has.
    pub fn session(&self) -> Option<(&Begin, Mono, u64)> {
        self.session.as_ref().map(|session| (&session.begin, session.began, session.samples))
    }
}

type Moved = (Option<Judgement>, Option<Arc<StepView>>);

impl Session {
    fn procedure(&self) -> Option<Arc<Procedure>> {
        self.begin.procedure.clone()
    }

    fn go_by_procedure(
        &mut self,
        at: Mono,
        procedure: &Procedure,
        to: &Move,
        channels: &[Option<Channel>],
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let all = procedure.steps.len();
        let (place, left) = match to {
            Move::Next | Move::Skip if self.place >= all => return Err(Refusal::AtEnd),
            Move::Next => (self.place + 1, Left::Done),
            Move::Skip => (self.place + 1, Left::Skipped),
            Move::Back => (self.place.checked_sub(1).ok_or(Refusal::AtFirst)?, Left::Back),
            Move::Again if self.step.is_none() => return Err(Refusal::NoStep),
            Move::Again => (self.place, Left::Again),
            Move::Named(name) => (place_of(procedure, name)?, Left::Done),
        };
        let judged = self.leave(at, left, effects);
        self.place = place;
        Ok((judged, (place < all).then(|| self.begin_place(at, place, channels, effects))))
    }

    fn go_freely(
        &mut self,
        at: Mono,
        to: Move,
        channels: &[Option<Channel>],
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let (name, left) = match (to, &self.step) {
            (Move::Next, _) => (format!("step {}", self.steps + 1), Left::Done),
            (Move::Again, Some(step)) => (step.view.name.clone(), Left::Again),
            (Move::Again, None) => return Err(Refusal::NoStep),
            (Move::Back, _) => return Err(Refusal::NoProcedure { way: "back" }),
            (Move::Skip, _) => return Err(Refusal::NoProcedure { way: "on" }),
            (Move::Named(name), _) => (said(&name, "step's name")?, Left::Done),
        };
        let judged = self.leave(at, left, effects);
        let view = StepView {
            number: self.steps + 1,
            place: None,
            attempt: self.attempt(&name),
            name,
            circuit: None,
            instruction: String::new(),
            channel: None,
            quantity: None,
            limit: None,
        };
        Ok((judged, Some(self.begin_step(at, view, channels, effects))))
    }

    fn begin_place(
        &mut self,
        at: Mono,
        place: usize,
        channels: &[Option<Channel>],
        effects: &mut Vec<Effect>,
    ) -> Arc<StepView> {
        let procedure = self.procedure().expect("only called in a session with a procedure");
        let spec = &procedure.steps[place];
        let view = StepView {
            number: self.steps + 1,
            place: Some((place + 1, procedure.steps.len())),
            name: spec.name.clone(),
            attempt: self.attempt(&spec.name),
            circuit: spec.circuit.clone(),
            instruction: spec.instruction.clone(),
            channel: spec.channel.clone(),
            quantity: spec.quantity,
            limit: spec.limit,
        };
        self.place = place;
        self.begin_step(at, view, channels, effects)
    }

    fn begin_step(
        &mut self,
        at: Mono,
        view: StepView,
        channels: &[Option<Channel>],
        effects: &mut Vec<Effect>,
    ) -> Arc<StepView> {
        let view = Arc::new(view);
        self.steps = view.number;
        let procedure = self.procedure();
        let spec = view.place.and_then(|(place, _)| procedure.as_ref()?.steps.get(place - 1));
        self.step = Some(RunningStep::begin(view.clone(), spec, channels));
        effects.push(Effect::Record(Record::StepBegan(Box::new(StepBegan { at, view: view.clone() }))));
        effects.push(Effect::Notice(Notice::Step(view.clone())));
        view
    }

    fn leave(&mut self, at: Mono, left: Left, effects: &mut Vec<Effect>) -> Option<Judgement> {
        let step = self.step.take()?;
        let name = step.view.name.clone();
        let ended = step.end(at, left);
        let judged = ended.capture.as_ref().map(|capture| capture.judgement.clone());
        effects.push(Effect::Record(Record::StepEnded(Box::new(ended))));
        effects.push(Effect::Notice(Notice::Judged { step: name, judgement: judged.clone() }));
        judged
    }

    fn attempt(&mut self, name: &str) -> u32 {
        let attempt = self.attempts.entry(name.to_owned()).or_default();
        *attempt += 1;
        *attempt
    }
}

/// The one step of this name, or the one whose name begins so.
fn place_of(procedure: &Procedure, name: &str) -> Result<usize, Refusal> {
    let wanted = name.to_lowercase();
    let names = || procedure.steps.iter().map(|step| step.name.to_lowercase());
    if let Some(exact) = names().position(|step| step == wanted) {
        return Ok(exact);
    }
    let mut alike = names().enumerate().filter(|(_, step)| !wanted.is_empty() && step.starts_with(&wanted));
    match (alike.next(), alike.next()) {
        (Some((only, _)), None) => Ok(only),
        _ => Err(Refusal::UnknownStep {
            name: name.to_owned(),
            steps: procedure.steps.iter().map(|step| step.name.clone()).collect(),
        }),
    }
}

fn said(text: &str, what: &'static str) -> Result<String, Refusal> {
    match text.trim() {
        "" => Err(Refusal::Empty { what }),
        trimmed => Ok(trimmed.to_owned()),
    }
}
