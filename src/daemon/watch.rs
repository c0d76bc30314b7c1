//! The loop: one event after the other into the core, its effects to the store and the watchers.

use std::{
    collections::BTreeMap,
    path::PathBuf,
    sync::{Arc, PoisonError, atomic::Ordering},
    time::Duration,
};

use tokio::{
    sync::{broadcast, mpsc, oneshot},
    time::{MissedTickBehavior, interval, timeout},
};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::{
    alert::Alert,
    fit::Fit,
    ports::{PortEvent, Tally, What},
};
use crate::{
    channel::{Batch, Bench, Found, MeterId, Sample},
    clock::{Clock, Mono, micros},
    mistake::Mistake,
    protocol::Action,
    server::{
        Answer, Asked, ClockLine, MeterLine, News, ReadingLine, Request, SessionLine, StatusReport, WireFinding,
        WireStep,
    },
    session::{Begin, Command, Core, Effect, End, Event, EventKind, Latest, Move, Notice, Procedure, Verdict},
    store::{Report, Store, StoreError, Ticket},
};

/// How often those who watch see new readings.
const READINGS_EVERY: Duration = Duration::from_millis(250);

/// How often the core is told that time goes by.
const TICK_EVERY: Duration = Duration::from_millis(500);

/// How often the computer's clock is compared with the monotonic one.
const ANCHOR_EVERY: Duration = Duration::from_secs(60);

/// The longest that port readers may take to end; one read's patience is a quarter of a second.
const PORTS_END: Duration = Duration::from_secs(1);

/// Where everything comes in.
pub(super) struct Inlets {
    pub ports: mpsc::Receiver<PortEvent>,
    pub requests: mpsc::Receiver<Asked>,
    pub reports: mpsc::Receiver<Report>,
}

/// Where news go.
pub(super) struct Outlets {
    pub news: broadcast::Sender<Arc<str>>,
    pub alert: Alert,
}

/// The state of the loop.
pub(super) struct Watch {
    clock: Clock,
    core: Core,
    store: Store,
    outlets: Outlets,
    effects: Vec<Effect>,
    database: PathBuf,
    bench_text: String,
    /// The channels that there can be; none where meters bring their own.
    channels: Option<Vec<String>>,
    fit: Fit,
    meters: Vec<String>,
    tallies: Vec<Arc<Tally>>,
    /// Answers that wait until what they acknowledge is on disk.
    waiting: BTreeMap<Ticket, (oneshot::Sender<Answer>, Answer)>,
    tickets: u64,
    /// Why the disk refuses; none while it takes.
    refusing: Option<String>,
}

impl Watch {
    pub fn new(clock: Clock, bench: &Bench, database: PathBuf, store: Store, outlets: Outlets) -> Self {
        let meters: Vec<String> = bench.meters.iter().map(|meter| meter.name.clone()).collect();
        Self {
            clock,
            core: Core::new(meters.iter().cloned()),
            store,
            outlets,
            effects: Vec::new(),
            database,
            bench_text: bench.text.clone(),
            channels: bench.channel_names(),
            fit: Fit::new(bench),
            tallies: meters.iter().map(|_| Arc::default()).collect(),
            meters,
            waiting: BTreeMap::new(),
            tickets: 0,
            refusing: None,
        }
    }

    pub fn tallies(&self) -> &[Arc<Tally>] {
        &self.tallies
    }

    /// Opens a session before anything has come in.
    pub fn begin(&mut self, begin: Begin) {
        let at = self.clock.mono();
        let procedure = begin.procedure.clone();
        self.core.command(at, Command::Begin(begin), &mut self.effects).expect("a session can always be begun");
        self.carry_out();
        for warning in self.warn_unfit(at, procedure.as_deref()) {
            tracing::warn!("{warning}");
        }
    }

    /// Keeps and tells what of a procedure the bench does not suit.
    fn warn_unfit(&mut self, at: Mono, procedure: Option<&Procedure>) -> Vec<String> {
        let unfit = procedure.map_or_else(Vec::new, |procedure| self.fit.unfit(procedure, &self.core));
        let warnings = unfit.into_iter().map(|unfit| {
            let (text, subject) = (unfit.to_string(), unfit.step);
            let warning = format!("step \"{subject}\": {text}");
            self.happened(at, Event::Remark { kind: EventKind::Unfit, subject, text });
            warning
        });
        warnings.collect()
    }

    /// Runs until told to stop; returns what has not come in yet.
    pub async fn run(&mut self, mut inlets: Inlets, stop: CancellationToken) -> Inlets {
        let mut readings = interval(READINGS_EVERY);
        readings.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut tick = interval(TICK_EVERY);
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut anchor = interval(ANCHOR_EVERY);
        anchor.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            let room = self.store.has_room();
            tokio::select! {
                // What is decided first is what the others wait for.
                biased;
                () = stop.cancelled() => return inlets,
                Some(report) = inlets.reports.recv() => self.report(report),
                Some(asked) = inlets.requests.recv() => self.asked(asked),
                Some(event) = inlets.ports.recv(), if room => self.port(event),
                _ = readings.tick(), if self.outlets.news.receiver_count() > 0 => self.tell_readings(),
                _ = tick.tick() => {
                    let at = self.clock.mono();
                    self.happened(at, Event::Tick);
                }
                _ = anchor.tick() => {
                    let at = self.clock.mono();
                    self.happened(at, Event::Anchor(Clock::wall()));
                }
            }
        }
    }

    /// Takes in what the ports still had, ends the session and commits.
    pub async fn finish(mut self, mut inlets: Inlets) -> Result<(), StoreError> {
        let drained = timeout(PORTS_END, async {
            while let Some(event) = inlets.ports.recv().await {
                self.port(event);
            }
        });
        if drained.await.is_err() {
            tracing::warn!("a port's reader did not end in time; what it held is lost");
        }
        drop(inlets.ports);
        let at = self.clock.mono();
        self.core.end(at, End::Stopped, &mut self.effects);
        self.carry_out();
        // The writer still reports while it commits: someone must listen, or it would wait.
        let store = self.store;
        let committed = tokio::task::spawn_blocking(move || store.stop());
        while let Some(report) = inlets.reports.recv().await {
            if let Report::Synced(ticket) = report
                && let Some((to, answer)) = self.waiting.remove(&ticket)
            {
                // A client that is gone needs no answer.
                drop(to.send(answer));
            }
        }
        committed.await.unwrap_or(Err(StoreError::WriterGone))
    }

    fn port(&mut self, event: PortEvent) {
        let PortEvent { meter, at, what } = event;
        let name = self.meters.get(usize::from(meter.0)).cloned().unwrap_or_default();
        match what {
            What::Channels(channels) => {
                for (id, channel) in channels {
                    self.happened(at, Event::Channel(id, channel));
                }
            }
            What::Opened => {
                tracing::info!("meter \"{name}\": its port is open");
                self.happened(at, Event::MeterOpened(meter));
            }
            What::Lost(why) => {
                tracing::warn!("meter \"{name}\" is not there: {why}");
                self.happened(at, Event::MeterLost(meter, why));
            }
            What::HeldUp(waited) => {
                let text = format!("the store held its port up for {} ms; bytes may be lost", waited.as_millis());
                self.happened(at, Event::Remark { kind: EventKind::SamplesLost, subject: name, text });
            }
            What::Batch(batch) => self.batch(at, meter, &name, batch),
        }
        self.note_lost(at);
    }

    /// What was found first, since channels precede their samples; a press stands between its samples.
    fn batch(&mut self, at: Mono, id: MeterId, meter: &str, batch: Batch) {
        if let Some(tally) = self.tallies.get(usize::from(id.0)) {
            self.fit.heard(id, at, tally.frames.load(Ordering::Relaxed));
        }
        let mut presses = Vec::new();
        for found in batch.found {
            match found {
                Found::Action(action, after) => presses.push((action, after)),
                found => self.found(at, id, meter, found),
            }
        }
        let (mut samples, mut told) = (batch.samples, 0);
        for (action, after) in presses {
            let later = samples.split_off((after - told).min(samples.len()));
            self.samples(at, std::mem::replace(&mut samples, later));
            told = after;
            self.pressed(at, meter, action);
        }
        self.samples(at, samples);
    }

    fn samples(&mut self, at: Mono, samples: Vec<Sample>) {
        if !samples.is_empty() {
            self.happened(at, Event::Samples(samples));
        }
    }

    /// A button or foot switch on a device.
    fn pressed(&mut self, at: Mono, meter: &str, action: Action) {
        let command = match action {
            Action::Next => Command::Step(Move::Next),
            Action::Again => Command::Step(Move::Again),
            Action::Take => Command::Take(None),
            Action::Mark => Command::Mark(format!("button on {meter}")),
        };
        match self.core.command(at, command, &mut self.effects) {
            Ok(_) => self.carry_out(),
            // There is nobody to answer to but the ears.
            Err(refusal) => {
                tracing::warn!("the button on meter \"{meter}\" did nothing: {refusal}");
                self.outlets.alert.announce("refused", &refusal.to_string());
            }
        }
    }

    fn found(&mut self, at: Mono, id: MeterId, meter: &str, found: Found) {
        match found {
            Found::Identity(text) => {
                tracing::info!("meter \"{meter}\" says of itself: {text}");
                self.happened(at, Event::MeterSays(id, text));
            }
            Found::Action(action, _) => self.pressed(at, meter, action),
            Found::Gap(lost) => {
                let text = format!("{lost} frames were lost on the way, by their sequence numbers");
                self.happened(at, Event::Remark { kind: EventKind::SamplesLost, subject: meter.to_owned(), text });
            }
            Found::Channel(id, channel) => self.happened(at, Event::Channel(id, channel)),
            Found::Problem(problem) => {
                let text = format!("{}: {}", problem.reason, problem.frame);
                tracing::warn!("meter \"{meter}\": {text}");
                self.happened(at, Event::Remark { kind: EventKind::BadFrame, subject: meter.to_owned(), text });
            }
            Found::Missing { channel, reads, carried } => {
                let carried = if carried.is_empty() { "none".to_owned() } else { carried.join(", ") };
                let text = format!(
                    "channel \"{channel}\" reads \"{reads}\", which no frame of meter \"{meter}\" carries; they carry: {carried}"
                );
                tracing::warn!("{text}");
                self.happened(at, Event::Alarm { key: format!("channel {channel}"), text: Some(text.clone()) });
                self.happened(at, Event::Remark { kind: EventKind::MissingValue, subject: channel, text });
            }
        }
    }

    fn report(&mut self, report: Report) {
        let at = self.clock.mono();
        match report {
            Report::Synced(ticket) => {
                if let Some((to, answer)) = self.waiting.remove(&ticket) {
                    drop(to.send(answer));
                }
            }
            Report::Room => {}
            Report::Failing(why) => {
                tracing::error!("the disk refuses: {why}");
                for (to, answer) in std::mem::take(&mut self.waiting).into_values() {
                    drop(to.send(not_on_disk(answer, &why)));
                }
                let text = format!("nothing reaches the disk: {why}; make room, recording goes on by itself");
                self.happened(at, Event::Alarm { key: "store".to_owned(), text: Some(text) });
                let text = format!("the disk refused: {why}");
                self.happened(at, Event::Remark { kind: EventKind::Store, subject: String::new(), text });
                self.refusing = Some(why);
            }
            Report::Recovered => {
                tracing::info!("the disk takes again");
                self.refusing = None;
                self.happened(at, Event::Alarm { key: "store".to_owned(), text: None });
                let text = "the disk takes again".to_owned();
                self.happened(at, Event::Remark { kind: EventKind::Store, subject: String::new(), text });
                self.note_lost(at);
            }
        }
    }

    /// Samples that found no room while the disk refused.
    fn note_lost(&mut self, at: Mono) {
        if self.refusing.is_some() {
            return;
        }
        let lost = self.store.take_lost();
        if lost > 0 {
            let text = format!("{lost} samples were lost while the disk refused");
            tracing::error!("{text}");
            self.happened(at, Event::Remark { kind: EventKind::SamplesLost, subject: String::new(), text });
        }
    }

    fn asked(&mut self, Asked { request, answer: to }: Asked) {
        let at = self.clock.mono();
        let command = match self.command(request) {
            Ok(Some(command)) => command,
            Ok(None) => {
                drop(to.send(Answer { status: Some(self.status(at)), ..Answer::done() }));
                return;
            }
            Err(mistake) => return drop(to.send(Answer::refused(mistake.to_string()))),
        };
        let procedure = match &command {
            Command::Begin(begin) => begin.procedure.clone(),
            _ => None,
        };
        match self.core.command(at, command, &mut self.effects) {
            Err(refusal) => drop(to.send(Answer::refused(refusal.to_string()))),
            Ok(reply) => {
                self.carry_out();
                let warnings = self.warn_unfit(at, procedure.as_deref());
                self.answer_when_kept(to, Answer { warnings, ..Answer::from(&reply) });
            }
        }
    }

    fn answer_when_kept(&mut self, to: oneshot::Sender<Answer>, answer: Answer) {
        if let Some(why) = &self.refusing {
            return drop(to.send(not_on_disk(answer, why)));
        }
        self.tickets += 1;
        let ticket = Ticket(self.tickets);
        self.waiting.insert(ticket, (to, answer));
        self.store.sync(ticket);
    }

    /// The command that a request means; none for one that only asks.
    fn command(&self, request: Request) -> Result<Option<Command>, Mistake> {
        Ok(Some(match request {
            Request::Begin(asked) => {
                let visit = asked.visit();
                let procedure = match asked.procedure {
                    None => None,
                    Some(sent) => Some(Procedure::parse(&sent.file, &sent.text)?),
                };
                if let (Some(procedure), Some(channels)) = (&procedure, &self.channels) {
                    procedure.check_channels(channels)?;
                }
                Command::Begin(Begin {
                    id: Uuid::now_v7(),
                    wall: Clock::wall(),
                    visit,
                    procedure: procedure.map(Arc::new),
                    bench: self.bench_text.clone(),
                })
            }
            Request::End {} => Command::End,
            Request::Step { to } => Command::Step(Move::parse(&to)),
            Request::Take { channel } => Command::Take(channel),
            Request::Mark { text } => Command::Mark(text),
            Request::Note { text } => Command::Note(text),
            Request::Zero { channel } => Command::Zero(channel),
            Request::Status {} | Request::Watch {} => return Ok(None),
        }))
    }

    fn happened(&mut self, at: Mono, event: Event) {
        self.core.handle(at, event, &mut self.effects);
        self.carry_out();
    }

    fn carry_out(&mut self) {
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Record(record) => self.store.keep(record),
                Effect::Notice(notice) => {
                    if let Notice::SessionBegan(_) = notice {
                        for tally in &self.tallies {
                            tally.sessions.fetch_add(1, Ordering::Relaxed);
                        }
                    }
                    announce(&self.outlets.alert, &notice);
                    if self.outlets.news.receiver_count() > 0 {
                        tell(&self.outlets.news, &News::from(&notice));
                    }
                }
            }
        }
    }

    fn tell_readings(&self) {
        let at = self.clock.mono();
        let fresh = self.core.latest().filter(|(_, latest)| at.since(latest.sample.at) <= 2 * micros(READINGS_EVERY));
        let readings: Vec<ReadingLine> =
            fresh.map(|(channel, latest)| reading_line(&channel.name, latest, at)).collect();
        let elapsed_s = self.core.session().map(|(_, began, _)| at.since(began) as f64 / 1e6);
        tell(&self.outlets.news, &News::Readings { elapsed_s, readings });
    }

    fn status(&self, at: Mono) -> StatusReport {
        let session = self.core.session().map(|(begin, began, samples)| SessionLine {
            uuid: begin.id.to_string(),
            elapsed_s: at.since(began) as f64 / 1e6,
            samples,
            machine: begin.visit.machine.clone(),
            job: begin.visit.job.clone(),
            procedure: begin.procedure.as_ref().map(|procedure| procedure.title.clone()),
            caution: begin.procedure.as_ref().map(|procedure| procedure.caution.clone()),
        });
        let meters = self.core.meters().iter().zip(&self.tallies).map(|(meter, tally)| MeterLine {
            meter: meter.name.clone(),
            open: meter.open,
            why: meter.why.clone(),
            identity: meter.identity.clone(),
            frames: tally.frames.load(Ordering::Relaxed),
            refused: tally.refused.load(Ordering::Relaxed),
            lost: tally.lost.load(Ordering::Relaxed),
            clock: tally.clock.lock().unwrap_or_else(PoisonError::into_inner).map(|fit| ClockLine {
                jitter_s: fit.jitter,
                drift_ppm: fit.drift_ppm,
                frames: fit.frames,
                resets: fit.resets,
            }),
        });
        StatusReport {
            session,
            step: self.core.step_view().map(|view| WireStep::from(&**view)),
            readings: self.core.latest().map(|(channel, latest)| reading_line(&channel.name, latest, at)).collect(),
            meters: meters.collect(),
            alarms: self.core.alarms().map(str::to_owned).collect(),
            findings: self.core.findings().iter().map(WireFinding::from).collect(),
            database: self.database.display().to_string(),
            process: std::process::id(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

fn reading_line(channel: &str, latest: &Latest, at: Mono) -> ReadingLine {
    let sample = &latest.sample;
    ReadingLine {
        channel: channel.to_owned(),
        value: sample.value.into(),
        quantity: sample.quantity.word().to_owned(),
        unit: sample.quantity.unit().to_owned(),
        verdict: latest.verdict.map(|verdict| verdict.word().to_owned()),
        age_s: at.since(sample.at) as f64 / 1e6,
    }
}

/// What a person should hear who looks elsewhere.
fn announce(alert: &Alert, notice: &Notice) {
    match notice {
        Notice::Say(text) => alert.announce("say", text),
        Notice::Count(seconds) => alert.announce("count", &seconds.to_string()),
        Notice::Captured { step, capture, .. } => {
            let judgement = &capture.judgement;
            let verdict = judgement.verdict.map_or("recorded", Verdict::word);
            alert.announce("captured", &format!("{step}: {verdict}, {}", judgement.reason));
        }
        Notice::Finding(finding) => alert.announce("finding", &finding.sentence),
        Notice::Step(view) => alert.announce("step", &view.name),
        _ => {}
    }
}

/// Nobody may be listening: then there is nobody to tell.
fn tell(news: &broadcast::Sender<Arc<str>>, what: &News) {
    match serde_json::to_string(what) {
        Ok(line) => drop(news.send(line.into())),
        Err(error) => tracing::error!("news could not be written as JSON: {error}"),
    }
}

fn not_on_disk(answer: Answer, why: &str) -> Answer {
    let error =
        format!("it is done but not on disk yet, the disk refuses: {why}; make room, it is kept as soon as it can be");
    Answer { ok: false, error: Some(error), ..answer }
}
