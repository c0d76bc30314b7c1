//! The loop: one event after the other into the core, its effects to the store and the watchers.

mod port_events;
mod requests;
mod status;

use std::{collections::BTreeMap, path::PathBuf, sync::Arc, time::Duration};

use tokio::{
    sync::{broadcast, mpsc, oneshot},
    time::{MissedTickBehavior, interval, timeout},
};
use tokio_util::sync::CancellationToken;

use super::{
    alert::Alert,
    observed_bench::ObservedBench,
    ports::{PortCommand, PortCommands, PortEvent, PortStats},
};
use crate::{
    channel::Bench,
    clock::{Clock, Mono},
    procedure::Procedure,
    server::{Answer, Asked, News},
    session::{Begin, Command, Core, CoreEvent, Effect, EventKind, Notice, SessionExit, Verdict},
    store::{Report, Store, StoreError, Ticket},
};
use requests::not_on_disk;

/// How often those who watch see new readings.
const READINGS_EVERY: Duration = Duration::from_millis(250);

/// How often the core is told that time goes by.
const TICK_EVERY: Duration = Duration::from_millis(500);

/// How often the computer's clock is compared with the monotonic one.
const ANCHOR_EVERY: Duration = Duration::from_secs(60);

/// The longest that port readers may take to end; one read's patience is a quarter of a second.
const PORTS_END: Duration = Duration::from_secs(1);

/// Where everything comes in.
pub(super) struct LoopInputs {
    pub ports: mpsc::Receiver<PortEvent>,
    pub requests: mpsc::Receiver<Asked>,
    pub reports: mpsc::Receiver<Report>,
}

/// Where news go.
pub(super) struct LoopOutputs {
    pub news: broadcast::Sender<Arc<str>>,
    pub alert: Alert,
    pub ports: PortCommands,
}

/// The state of the loop.
pub(super) struct EventLoop {
    clock: Clock,
    core: Core,
    store: Store,
    outputs: LoopOutputs,
    effects: Vec<Effect>,
    database: PathBuf,
    bench_text: String,
    /// The channels that there can be; none where meters bring their own.
    channels: Option<Vec<String>>,
    fit: ObservedBench,
    meters: Vec<String>,
    /// By meter.
    port_stats: Vec<PortStats>,
    /// Answers that wait until what they acknowledge is on disk.
    waiting: BTreeMap<Ticket, (oneshot::Sender<Answer>, Answer)>,
    tickets: u64,
    /// Why the database cannot be written; none while it can.
    write_error: Option<String>,
}

impl EventLoop {
    pub(super) fn new(clock: Clock, bench: &Bench, database: PathBuf, store: Store, outputs: LoopOutputs) -> Self {
        let meters: Vec<String> = bench.meters.iter().map(|meter| meter.name.clone()).collect();
        Self {
            clock,
            core: Core::new(meters.iter().cloned()),
            store,
            outputs,
            effects: Vec::new(),
            database,
            bench_text: bench.text.clone(),
            channels: bench.channel_names(),
            fit: ObservedBench::new(bench),
            port_stats: vec![PortStats::default(); meters.len()],
            meters,
            waiting: BTreeMap::new(),
            tickets: 0,
            write_error: None,
        }
    }

    /// Opens a session before anything has come in.
    pub(super) fn begin(&mut self, begin: Begin) {
        let at = self.clock.mono();
        let procedure = begin.procedure.clone();
        self.core.command(at, Command::Begin(begin), &mut self.effects).expect("a session can always be begun");
        self.apply_effects();
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
            self.handle_event(at, CoreEvent::Remark { kind: EventKind::NotSuited, subject, text });
            warning
        });
        warnings.collect()
    }

    /// Runs until told to stop; returns what has not come in yet.
    pub(super) async fn run(&mut self, mut inputs: LoopInputs, stop: CancellationToken) -> LoopInputs {
        let mut readings = interval(READINGS_EVERY);
        readings.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut tick = interval(TICK_EVERY);
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut anchor = interval(ANCHOR_EVERY);
        anchor.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            let room = self.store.has_room();
            tokio::select! {
                // PortEventKind is decided first is what the others wait for.
                biased;
                () = stop.cancelled() => return inputs,
                Some(report) = inputs.reports.recv() => self.report(report),
                Some(asked) = inputs.requests.recv() => self.asked(asked),
                Some(event) = inputs.ports.recv(), if room => self.port(event),
                _ = readings.tick(), if self.outputs.news.receiver_count() > 0 => self.tell_readings(),
                _ = tick.tick() => {
                    let at = self.clock.mono();
                    self.handle_event(at, CoreEvent::Tick);
                }
                _ = anchor.tick() => {
                    let at = self.clock.mono();
                    self.handle_event(at, CoreEvent::Anchor(Clock::wall()));
                }
            }
        }
    }

    /// Takes in what the ports still had, ends the session and commits.
    pub(super) async fn finish(mut self, mut inputs: LoopInputs) -> Result<(), StoreError> {
        let drained = timeout(PORTS_END, async {
            while let Some(event) = inputs.ports.recv().await {
                self.port(event);
            }
        });
        if drained.await.is_err() {
            tracing::warn!("a port's reader did not end in time; what it held is lost");
        }
        drop(inputs.ports);
        let at = self.clock.mono();
        self.core.end(at, SessionExit::Stopped, &mut self.effects);
        self.apply_effects();
        // The writer still reports while it commits: someone must listen, or it would wait.
        let store = self.store;
        let committed = tokio::task::spawn_blocking(move || store.stop());
        while let Some(report) = inputs.reports.recv().await {
            if let Report::Synced(ticket) = report
                && let Some((to, answer)) = self.waiting.remove(&ticket)
            {
                // A client that is gone needs no answer.
                drop(to.send(answer));
            }
        }
        committed.await.unwrap_or(Err(StoreError::WriterGone))
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
                tracing::error!("cannot write the database: {why}");
                for (to, answer) in std::mem::take(&mut self.waiting).into_values() {
                    drop(to.send(not_on_disk(answer, &why)));
                }
                let text = format!("cannot write the database: {why}; free disk space, recording continues by itself");
                self.handle_event(at, CoreEvent::Alarm { key: "store".to_owned(), text: Some(text) });
                let text = format!("cannot write the database: {why}");
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::Store, subject: String::new(), text });
                self.write_error = Some(why);
            }
            Report::Recovered => {
                tracing::info!("the database can be written again");
                self.write_error = None;
                self.handle_event(at, CoreEvent::Alarm { key: "store".to_owned(), text: None });
                let text = "the database can be written again".to_owned();
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::Store, subject: String::new(), text });
                self.note_lost(at);
            }
        }
    }

    /// Records the samples that were dropped while the database could not be written.
    fn note_lost(&mut self, at: Mono) {
        if self.write_error.is_some() {
            return;
        }
        let lost = self.store.take_lost();
        if lost > 0 {
            let text = format!("{lost} samples were lost while the database could not be written");
            tracing::error!("{text}");
            self.handle_event(at, CoreEvent::Remark { kind: EventKind::SamplesLost, subject: String::new(), text });
        }
    }

    fn handle_event(&mut self, at: Mono, event: CoreEvent) {
        self.core.handle(at, event, &mut self.effects);
        self.apply_effects();
    }

    fn apply_effects(&mut self) {
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Record(record) => self.store.keep(record),
                Effect::Notice(notice) => {
                    if let Notice::SessionBegan(_) = notice {
                        self.outputs.ports.send_all(PortCommand::ResetReported);
                    }
                    announce(&self.outputs.alert, &notice);
                    if self.outputs.news.receiver_count() > 0 {
                        tell(&self.outputs.news, &News::from(&notice));
                    }
                }
            }
        }
    }
}

/// What a person should hear who looks elsewhere.
fn announce(alert: &Alert, notice: &Notice) {
    match notice {
        Notice::Say(text) => alert.announce("say", text),
        Notice::Count(seconds) => alert.announce("count", &seconds.to_string()),
        Notice::Captured { step, capture, .. } => {
            let judgement = &capture.judgement;
            let verdict = judgement.verdict().map_or("recorded", Verdict::word);
            alert.announce("captured", &format!("{step}: {verdict}, {}", judgement.reason));
        }
        Notice::Finding(finding) => alert.announce("finding", &finding.sentence),
        Notice::Step(view) => alert.announce("step", &view.name),
        Notice::Event { kind: EventKind::MeterSilent, text, .. } => alert.announce("meter", text),
        Notice::Event { kind: EventKind::MeterLost, subject, text } => {
            alert.announce("meter", &format!("{subject} is not there: {text}"));
        }
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
