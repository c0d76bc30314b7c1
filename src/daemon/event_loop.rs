//! The event loop: passes events to the core one by one, and the core's effects to the store and to watching clients.
//!
//! Reading order: here, `outputs`, `port_events` and `requests` (what comes in), `store_reports`, `status`, `ending`.

mod ending;
mod outputs;
mod port_events;
mod requests;
mod status;
mod store_reports;

use std::{
    collections::{BTreeMap, VecDeque},
    path::PathBuf,
    time::Duration,
};

use tokio::{
    sync::{mpsc, oneshot},
    time::{MissedTickBehavior, interval},
};
use tokio_util::sync::CancellationToken;

use super::{
    observed_bench::ObservedBench,
    pauses::{PauseWatch, anchor_behind},
    ports::{PortCommand, PortEvent, PortStats},
};
use crate::{
    channel::{Bench, ChannelIds, MeterId, MeterOrigin, MeterSpec},
    clock::{Clock, Mono},
    procedure::Procedure,
    server::{Answer, News, NewsMessage, PendingRequest},
    session::{Announcement, AnnouncementKind, Begin, Command, Core, CoreEvent, Effect, EventKind, Notice},
    store::{Folder, Store, Ticket, UnwrittenView, WriterReport},
};
pub(super) use outputs::LoopOutputs;
use outputs::publish;
pub(super) use requests::PreparedBegin;
use store_reports::StoreTrouble;

/// The shortest time between two messages with new readings: more than a screen can show helps nobody.
const READINGS_AT_MOST: Duration = Duration::from_millis(40);
/// How often those who watch get what the channels show, also where nothing new came.
const READINGS_AT_LEAST: Duration = Duration::from_millis(250);
/// Readings that are older are not sent to those who watch.
const FRESH: Duration = Duration::from_millis(500);

/// How often the core receives a tick.
const TICK_EVERY: Duration = Duration::from_millis(500);

/// How often the computer's clock is compared with the monotonic one.
const ANCHOR_EVERY: Duration = Duration::from_secs(60);

/// Sessions that are being prepared. When it is full, the preparing threads wait.
const PREPARED_QUEUE: usize = 16;

/// Said where coil ohms are measured and nothing is given of their temperature.
const NO_TEMPERATURE: &str = "no temperature is given, so the ohms of coils will be too close to call: begin with --part \"25 °C\" for their \
                              temperature, or --state cold, warm or hot";

/// The queues that the loop reads.
pub(super) struct LoopInputs {
    pub ports: mpsc::Receiver<PortEvent>,
    pub requests: mpsc::Receiver<PendingRequest>,
    pub reports: mpsc::Receiver<WriterReport>,
    pub prepared: mpsc::Receiver<PreparedBegin>,
    pub findings: mpsc::Receiver<CoreEvent>,
}

/// What the loop handles next.
enum LoopInput {
    Report(WriterReport),
    Request(PendingRequest),
    Prepared(PreparedBegin),
    Findings(CoreEvent),
    Port(PortEvent),
    Readings,
    Tick,
    Anchor,
}

/// Why the loop ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LoopEnd {
    /// It was stopped.
    Stopped,
    /// The thread of the store failed, so that nothing can be recorded any more.
    StoreFailed,
}

/// The state of the loop.
pub(super) struct EventLoop {
    clock: Clock,
    core: Core,
    store: Store,
    outputs: LoopOutputs,
    effects: Vec<Effect>,
    folder: Folder,
    /// The file that is written now.
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
    pauses: PauseWatch,
    /// What keeps the database from being written; none while it can be.
    trouble: Option<StoreTrouble>,
    store_unwritten: UnwrittenView,
    /// Where a session that was prepared is sent to.
    to_prepared: mpsc::Sender<PreparedBegin>,
    /// The address of the live page; none where it is off.
    page: Option<String>,
    /// Commands that end a session, or begin one instead of it, while its last findings are awaited; and until when.
    held: VecDeque<(Command, oneshot::Sender<Answer>)>,
    held_until: Mono,
    /// What is done again by the session of this identity, until it begins.
    retested: Option<(uuid::Uuid, requests::RetestedBench)>,
}

impl EventLoop {
    /// The loop, and the queue of the sessions that it has prepared.
    pub(super) fn new(
        clock: Clock,
        bench: &Bench,
        folder: Folder,
        store: Store,
        outputs: LoopOutputs,
    ) -> (Self, mpsc::Receiver<PreparedBegin>) {
        let meters: Vec<String> = bench.meters.iter().map(|meter| meter.name.clone()).collect();
        let mut core = Core::new(meters.iter().cloned());
        let named_to_read = |meter: &MeterSpec| meter.origin == MeterOrigin::CommandLine;
        core.expect_readings(
            (0..).map(MeterId).zip(&bench.meters).filter(|(_, meter)| named_to_read(meter)).map(|(id, _)| id),
        );
        let (to_prepared, prepared) = mpsc::channel(PREPARED_QUEUE);
        let mut event_loop = Self {
            clock,
            core,
            store_unwritten: store.unwritten(),
            database: store.path().to_owned(),
            store,
            outputs,
            effects: Vec::new(),
            folder,
            bench_text: bench.text.clone(),
            channels: bench.channel_names(),
            observed_bench: ObservedBench::new(bench),
            port_stats: vec![PortStats::default(); meters.len()],
            meters,
            waiting: BTreeMap::new(),
            tickets: 0,
            pauses: PauseWatch::new(clock.mono(), Clock::boot()),
            trouble: None,
            to_prepared,
            page: None,
            held: VecDeque::new(),
            held_until: Mono::default(),
            retested: None,
        };
        if let Some(damaged) = event_loop.store.damaged().map(str::to_owned) {
            let at = clock.mono();
            event_loop.handle_event(at, CoreEvent::Alarm { key: "database".to_owned(), text: Some(damaged) });
        }
        (event_loop, prepared)
    }

    /// The channels of the bench that are worked out from others; before the first event.
    pub(super) fn add_derived(&mut self, bench: &Bench, ids: &ChannelIds) {
        let at = self.clock.mono();
        for spec in &bench.derived {
            self.handle_event(at, CoreEvent::Derived(ids.next(), spec.clone()));
        }
    }

    /// The live page is served at this address, which `status` tells.
    pub(super) fn set_page(&mut self, link: Option<String>) {
        self.page = link;
    }

    /// Begins the first session, before the first event.
    pub(super) fn begin(&mut self, begin: Begin) {
        let at = self.clock.mono();
        let procedure = begin.procedure.clone();
        if let Some(caution) = procedure.as_ref().map(|procedure| &procedure.caution).filter(|text| !text.is_empty()) {
            tracing::warn!("caution: {caution}");
        }
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
        let mut warnings: Vec<String> = warnings.collect();
        let visit = self.core.session().map(|(begin, ..)| &begin.visit);
        if procedure.is_some_and(Procedure::asks_for_temperature)
            && visit.is_some_and(|visit| visit.part_celsius.is_none() && visit.state.is_none())
        {
            warnings.push(NO_TEMPERATURE.to_owned());
        }
        warnings
    }

    /// Runs until `stop`, or until a part that can't be started again has failed; returns the queues, which may still hold
    /// events.
    pub(super) async fn run(&mut self, mut inputs: LoopInputs, stop: CancellationToken) -> (LoopInputs, LoopEnd) {
        // New readings are sent at once where the last ones were long enough ago.
        let mut fresh = interval(READINGS_AT_MOST);
        fresh.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut readings = interval(READINGS_AT_LEAST);
        readings.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut tick = interval(TICK_EVERY);
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut anchor = interval(ANCHOR_EVERY);
        anchor.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            let room = self.store.has_room();
            let is_watched = self.outputs.news.receiver_count() > 0;
            let input = tokio::select! {
                // First what the others wait for.
                biased;
                () = stop.cancelled() => return (inputs, LoopEnd::Stopped),
                report = inputs.reports.recv() => match report {
                    Some(report) => LoopInput::Report(report),
                    // The writer's thread alone sends reports, for as long as it lives.
                    None => return (inputs, LoopEnd::StoreFailed),
                },
                Some(asked) = inputs.requests.recv() => LoopInput::Request(asked),
                Some(prepared) = inputs.prepared.recv() => LoopInput::Prepared(prepared),
                Some(event) = inputs.findings.recv() => LoopInput::Findings(event),
                Some(event) = inputs.ports.recv(), if room => LoopInput::Port(event),
                _ = fresh.tick(), if is_watched && self.core.has_unread() => LoopInput::Readings,
                _ = readings.tick(), if is_watched => LoopInput::Readings,
                _ = tick.tick() => LoopInput::Tick,
                _ = anchor.tick() => LoopInput::Anchor,
            };
            // Before anything that could be blamed on a meter.
            self.notice_pause();
            match input {
                LoopInput::Report(report) => self.report(report),
                LoopInput::Request(asked) => self.handle_request(asked),
                LoopInput::Prepared(prepared) => self.begin_prepared(prepared),
                LoopInput::Findings(event) => {
                    let at = self.clock.mono();
                    self.handle_event(at, event);
                    self.carry_out_held(at);
                }
                LoopInput::Port(event) => self.port(event),
                LoopInput::Readings => {
                    self.publish_readings();
                    readings.reset();
                }
                LoopInput::Tick => {
                    let at = self.clock.mono();
                    self.watch_store(at);
                    if self.outputs.speaker.tick(at) {
                        self.publish_speaker();
                    }
                    self.handle_event(at, CoreEvent::Tick);
                    if self.core.is_ending() && at >= self.held_until {
                        self.end_without_findings();
                        self.carry_out_held(at);
                    }
                }
                LoopInput::Anchor => self.anchor(),
            }
        }
    }

    fn anchor(&mut self) {
        let at = self.clock.mono();
        self.handle_event(at, CoreEvent::Anchor(Clock::wall()));
    }

    /// Records a time in which the program did not run, and where the clocks stand after it.
    fn notice_pause(&mut self) {
        let (at, looked) = (self.clock.mono(), self.pauses.last_check());
        let Some(pause) = self.pauses.check(at, Clock::boot()) else { return };
        let (from, wall) = anchor_behind(looked, at, Clock::wall());
        self.handle_event(from, CoreEvent::Anchor(wall));
        let text = pause.to_string();
        tracing::warn!("{text}");
        self.handle_event(at, CoreEvent::Paused(text));
    }

    fn handle_event(&mut self, at: Mono, event: CoreEvent) {
        self.core.handle(at, event, &mut self.effects);
        self.apply_effects();
    }

    fn apply_effects(&mut self) {
        let mut records = Vec::new();
        for effect in self.effects.drain(..) {
            match effect {
                Effect::Record(record) => records.push(record),
                Effect::WorkOut(task) => self.outputs.findings.begin(*task),
                Effect::Notice(notice) => {
                    if let Notice::SessionBegan(_) = notice {
                        self.outputs.ports.send_all(PortCommand::ResetReported);
                    }
                    let announcement = Announcement::of(&notice);
                    if let Some(announcement) = &announcement {
                        self.outputs.announce(announcement);
                    }
                    if let Notice::AskOver = notice {
                        self.outputs.withdraw(AnnouncementKind::Ask);
                    }
                    if self.outputs.news.receiver_count() > 0 {
                        publish(&self.outputs.news, NewsMessage { news: News::from(&notice), spoken: announcement });
                    }
                }
            }
        }
        // What follows from one input is on disk together, or not at all: a session is judged again by it.
        self.store.enqueue(records);
    }

    /// Notifies those who watch who speaks now.
    fn publish_speaker(&self) {
        let name = self.outputs.speaker.name().map(str::to_owned);
        publish(&self.outputs.news, News::Speaker { name });
    }
}

#[cfg(test)]
mod tests;
