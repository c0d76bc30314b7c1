//! The event loop: passes events to the core one by one, and the core's effects to the store and to watching clients.

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
    server::{Answer, News, PendingRequest},
    session::{Begin, Command, Core, CoreEvent, Effect, EventKind, Notice, SessionExit, Verdict},
    store::{Store, StoreError, Ticket, WriterReport},
};
use requests::not_on_disk;

/// How often watching clients receive new readings.
const READINGS_EVERY: Duration = Duration::from_millis(250);

/// How often the core receives a tick.
const TICK_EVERY: Duration = Duration::from_millis(500);

/// How often the computer's clock is compared with the monotonic one.
const ANCHOR_EVERY: Duration = Duration::from_secs(60);

/// How long the port threads may take to end; one read waits for at most a quarter of a second.
const PORTS_END: Duration = Duration::from_secs(1);

/// The queues that the loop reads.
pub(super) struct LoopInputs {
    pub ports: mpsc::Receiver<PortEvent>,
    pub requests: mpsc::Receiver<PendingRequest>,
    pub reports: mpsc::Receiver<WriterReport>,
}

/// Where the loop sends to.
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
    /// The channels of the bench; none where meters name their own channels.
    channels: Option<Vec<String>>,
    observed_bench: ObservedBench,
    meters: Vec<String>,
    /// By meter.
    port_stats: Vec<PortStats>,
    /// Answers that are sent once what they acknowledge is on disk.
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
            observed_bench: ObservedBench::new(bench),
            port_stats: vec![PortStats::default(); meters.len()],
            meters,
            waiting: BTreeMap::new(),
            tickets: 0,
            write_error: None,
        }
    }

    /// Begins the first session, before the first event.
    pub(super) fn begin(&mut self, begin: Begin) {
        let at = self.clock.mono();
        let procedure = begin.procedure.clone();
        self.core.command(at, Command::Begin(begin), &mut self.effects).expect("a session can always be begun");
        self.apply_effects();
        for warning in self.record_fitness_issues(at, procedure.as_deref()) {
            tracing::warn!("{warning}");
        }
    }

    /// Records what the bench does not suit in a procedure; returns the warnings.
    fn record_fitness_issues(&mut self, at: Mono, procedure: Option<&Procedure>) -> Vec<String> {
        let issues = procedure.map_or_else(Vec::new, |procedure| self.observed_bench.issues(procedure, &self.core));
        let warnings = issues.into_iter().map(|issue| {
            let (text, subject) = (issue.to_string(), issue.step);
            let warning = format!("step \"{subject}\": {text}");
            self.handle_event(at, CoreEvent::Remark { kind: EventKind::NotSuited, subject, text });
            warning
        });
        warnings.collect()
    }

    /// Runs until `stop`; returns the queues, which may still hold events.
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
                // First what the others wait for.
                biased;
                () = stop.cancelled() => return inputs,
                Some(report) = inputs.reports.recv() => self.report(report),
                Some(asked) = inputs.requests.recv() => self.handle_request(asked),
                Some(event) = inputs.ports.recv(), if room => self.port(event),
                _ = readings.tick(), if self.outputs.news.receiver_count() > 0 => self.publish_readings(),
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

    /// Handles the remaining port events, ends the session and commits.
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
        // The writer sends reports while it commits, and would wait if nobody received them.
        let store = self.store;
        let committed = tokio::task::spawn_blocking(move || store.stop());
        while let Some(report) = inputs.reports.recv().await {
            if let WriterReport::Synced(ticket) = report
                && let Some((to, answer)) = self.waiting.remove(&ticket)
            {
                // A disconnected client needs no answer.
                drop(to.send(answer));
            }
        }
        committed.await.unwrap_or(Err(StoreError::WriterGone))
    }

    fn report(&mut self, report: WriterReport) {
        let at = self.clock.mono();
        match report {
            WriterReport::Synced(ticket) => {
                if let Some((to, answer)) = self.waiting.remove(&ticket) {
                    drop(to.send(answer));
                }
            }
            WriterReport::Room => {}
            WriterReport::Failing(why) => {
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
            WriterReport::Recovered => {
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
                        publish(&self.outputs.news, &News::from(&notice));
                    }
                }
            }
        }
    }
}

/// Runs the alert command for what the operator must notice without looking at the screen.
fn announce(alert: &Alert, notice: &Notice) {
    match notice {
        Notice::Say(text) => alert.announce("say", text),
        Notice::Ask(ask) => alert.announce("ask", &ask.text),
        Notice::Count(seconds) => alert.announce("count", &seconds.to_string()),
        Notice::Captured { step, capture, .. } => {
            let judgement = &capture.judgement;
            let verdict = judgement.verdict().map_or("no limit", Verdict::word);
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

/// Sends news to all watching clients; there may be none.
fn publish(news: &broadcast::Sender<Arc<str>>, what: &News) {
    match serde_json::to_string(what) {
        Ok(line) => drop(news.send(line.into())),
        Err(error) => tracing::error!("news could not be written as JSON: {error}"),
    }
}
