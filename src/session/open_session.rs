//! The open session: its place in the procedure, and the moves between steps.

use std::{collections::HashMap, sync::Arc};

use uuid::Uuid;

use super::{
    Begin, Effect, Judgement, Notice, Record, Refusal, StepMove, StepView, VisitTemperatures,
    active_step::{ActiveStep, LeadPosition, channel_named},
    captured_values::CapturedValues,
    clamp_zero::ClampZeros,
    command::{LONGEST_NAME, check_length},
    findings::{Finding, FindingKind},
    judge::{CoilHold, StepCriteria, StepEvent, VoidCapture},
    photo::PhotoList,
    prompts::OperatorPrompts,
    proof::{LeadFacts, MeasuredPoint},
    record::{StepBegan, StepExit},
    session_findings::SessionFindings,
};
use crate::{
    channel::{Channel, ChannelId},
    clock::Mono,
    electrics::Uncertain,
    procedure::{Advance, CaptureMode, Procedure},
    protocol::Value,
    units::Quantity,
};

/// An open session.
#[derive(Debug)]
pub(super) struct Session {
    pub begin: Begin,
    pub began: Mono,
    pub step: Option<ActiveStep>,
    pub samples: u64,
    pub prompts: OperatorPrompts,
    pub findings: SessionFindings,
    /// Whether it was said how to touch the battery.
    pub battery_cautioned: bool,
    /// What the leads have shown.
    facts: LeadFacts,
    /// Whether steps begin and end when they did in the first record, instead of by themselves.
    pub moves_by_record: bool,
    /// Captures that do not count.
    pub void: Vec<VoidCapture>,
    /// What was photographed.
    pub photos: PhotoList,
    /// What steps captured, for the limits that refer to them.
    captured: CapturedValues,
    /// Steps begun so far.
    steps: u32,
    /// By step name, how often it was begun.
    attempts: HashMap<String, u32>,
    /// Index into the procedure's steps; their number once all are done.
    place: usize,
    /// By circuit: how long its coil was on.
    holds: HashMap<String, CoilHold>,
    /// Where the previous step left the leads.
    rest: Option<LeadPosition>,
}

/// What a step needs to know of the bench.
pub(super) struct BenchView<'a> {
    pub channels: &'a [Option<Channel>],
    pub zeros: &'a ClampZeros,
}

pub(super) type Moved = (Option<Judgement>, Option<Arc<StepView>>);

impl Session {
    pub(super) fn new(begin: Begin, began: Mono, effects: &mut Vec<Effect>) -> Self {
        let mut findings = SessionFindings::new(begin.id, begin.procedure.as_deref(), &begin.visit);
        if let (Some(procedure), Some(previous)) = (&begin.procedure, &begin.previous) {
            let task = findings.remember(procedure, previous);
            effects.extend(task.map(|task| Effect::WorkOut(Box::new(task))));
        }
        let mut captured = CapturedValues::default();
        for step in begin.previous.iter().flat_map(|previous| &previous.steps) {
            if let Some(judged) = &step.judged {
                captured.keep(&step.name, &judged.judgement, None);
            }
        }
        Self {
            findings,
            captured,
            attempts: begin.previous.as_ref().map(|previous| previous.attempts()).unwrap_or_default(),
            begin,
            began,
            step: None,
            samples: 0,
            prompts: OperatorPrompts::default(),
            battery_cautioned: false,
            facts: LeadFacts::default(),
            moves_by_record: false,
            void: Vec::new(),
            photos: PhotoList::default(),
            steps: 0,
            place: 0,
            holds: HashMap::new(),
            rest: None,
        }
    }

    pub(super) fn procedure(&self) -> Option<Arc<Procedure>> {
        self.begin.procedure.clone()
    }

    /// What is known of the leads: with the step while one is on.
    fn lead_facts(&mut self) -> &mut LeadFacts {
        self.step.as_mut().map_or(&mut self.facts, |step| &mut step.judge.proof.facts)
    }

    /// The resistance of a channel's leads is this from now on, or not known any more. Returns what it was.
    pub(super) fn set_leads(&mut self, channel: ChannelId, ohms: Option<Uncertain>) -> Option<Uncertain> {
        let facts = self.lead_facts();
        let before = facts.leads(channel);
        facts.set_leads(channel, ohms);
        before
    }

    /// How warm it is; the limits of steps that begin from now on follow.
    pub(super) fn set_temperatures(&mut self, temperatures: VisitTemperatures) {
        temperatures.put(&mut self.begin.visit);
        self.findings.set_temperatures(&self.begin.visit);
    }

    /// Whether the next step begins by itself once a lead is lifted.
    pub(super) fn advances(&self) -> bool {
        !self.moves_by_record
            && self.begin.procedure.as_ref().is_some_and(|procedure| procedure.advance == Advance::WhenLifted)
    }

    /// The first step of a procedure, or the one where an earlier session was cut off.
    pub(super) fn first(&mut self, at: Mono, bench: &BenchView, effects: &mut Vec<Effect>) -> Option<Arc<StepView>> {
        let procedure = self.procedure()?;
        if !procedure.caution.is_empty() {
            effects.extend(Effect::announce(at, format!("caution: {}", procedure.caution)));
        }
        if self.moves_by_record {
            return None;
        }
        self.place = self.begin.previous.as_ref().map_or(0, |previous| previous.place(&procedure));
        let view = (self.place < procedure.steps.len()).then(|| self.begin_place(at, self.place, bench, effects))?;
        self.continue_step(&view, bench);
        Some(view)
    }

    /// Goes on with the step in which an earlier session was cut off, where this is it.
    fn continue_step(&mut self, view: &StepView, bench: &BenchView) {
        let Some(procedure) = self.procedure() else { return };
        let before = self.begin.previous.as_ref().and_then(|previous| previous.worst_of(&view.name));
        if let (Some(step), Some(before), CaptureMode::Worst) =
            (&mut self.step, before, procedure.steps[self.place].capture)
        {
            let id = step.judge.criteria.channel;
            let channel = id.and_then(|id| Some((id, bench.channels.get(usize::from(id.0))?.as_ref()?)));
            step.continue_from(before, channel);
        }
        let cut_off = self.begin.previous.as_ref().and_then(|previous| previous.cut_off(&view.name));
        if let (Some(step), Some(before)) = (&mut self.step, cut_off) {
            step.watched_before(before);
        }
    }

    /// Ends the step that is on and begins another one, as the record has it.
    ///
    /// # Errors
    /// The name of the step, which the procedure does not have.
    pub(super) fn move_by_record(
        &mut self,
        at: Mono,
        step: Option<&str>,
        left: StepExit,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let place = match (self.procedure(), step) {
            (Some(procedure), Some(name)) => {
                Some(procedure.steps.iter().position(|step| step.name == name).ok_or_else(|| name.to_owned())?)
            }
            _ => None,
        };
        self.leave(at, left, bench.channels, effects);
        match (place, step) {
            (Some(place), _) => {
                let view = self.begin_place(at, place, bench, effects);
                if view.number == 1 {
                    self.continue_step(&view, bench);
                }
            }
            (None, Some(name)) => drop(self.begin_free(at, name.to_owned(), bench, effects)),
            (None, None) => {}
        }
        Ok(())
    }

    pub(super) fn go(
        &mut self,
        at: Mono,
        to: StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        match self.procedure() {
            Some(procedure) => self.go_by_procedure(at, &procedure, &to, bench, effects),
            None => self.go_freely(at, to, bench, effects),
        }
    }

    fn go_by_procedure(
        &mut self,
        at: Mono,
        procedure: &Procedure,
        to: &StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let all = procedure.steps.len();
        let (place, left) = match to {
            StepMove::Next | StepMove::Skip | StepMove::Again if self.place >= all => return Err(Refusal::AtEnd),
            StepMove::Next => (self.place + 1, StepExit::Done),
            StepMove::Skip => (self.place + 1, StepExit::Skipped),
            StepMove::Back => (self.place.checked_sub(1).ok_or(Refusal::AtFirst)?, StepExit::Back),
            StepMove::Again => (self.place, StepExit::Again),
            StepMove::Named(name) => (place_of(procedure, name)?, StepExit::Done),
        };
        let judged = self.leave(at, left, bench.channels, effects);
        self.place = place;
        if place >= all {
            self.put_back(at, effects);
            effects.extend(Effect::announce(at, "that was the last step; `end` ends the session".to_owned()));
        }
        Ok((judged, (place < all).then(|| self.begin_place(at, place, bench, effects))))
    }

    /// The allowed time of what is switched on is over: the step ends, and the next begins where steps follow by themselves.
    pub(super) fn time_up(&mut self, at: Mono, bench: &BenchView, effects: &mut Vec<Effect>) {
        self.leave(at, StepExit::TimeUp, bench.channels, effects);
        let next = self.place + 1;
        if self.advances() && self.procedure().is_some_and(|procedure| next < procedure.steps.len()) {
            self.begin_place(at, next, bench, effects);
        }
    }

    /// Leaves the step that is on as undone, and begins this one again; none where none was on.
    pub(super) fn undo_to(
        &mut self,
        at: Mono,
        view: Option<&StepView>,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Option<Arc<StepView>> {
        self.leave(at, StepExit::Undone, bench.channels, effects);
        match view {
            Some(StepView { place: Some((place, _)), .. }) => Some(self.begin_place(at, place - 1, bench, effects)),
            Some(view) => Some(self.begin_free(at, view.name.clone(), bench, effects)),
            None => {
                self.place = self.procedure().map_or(0, |procedure| procedure.steps.len());
                None
            }
        }
    }

    fn go_freely(
        &mut self,
        at: Mono,
        to: StepMove,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Result<Moved, Refusal> {
        let (name, left) = match (to, &self.step) {
            (StepMove::Next, _) => (format!("step {}", self.steps + 1), StepExit::Done),
            (StepMove::Again, Some(step)) => (step.view.name.clone(), StepExit::Again),
            (StepMove::Again, None) => return Err(Refusal::NoStep),
            (StepMove::Back, _) => return Err(Refusal::NoProcedure { way: "back" }),
            (StepMove::Skip, _) => return Err(Refusal::NoProcedure { way: "on" }),
            (StepMove::Named(name), _) => (trimmed(&name, "step's name", LONGEST_NAME)?, StepExit::Done),
        };
        let judged = self.leave(at, left, bench.channels, effects);
        Ok((judged, Some(self.begin_free(at, name, bench, effects))))
    }

    /// Begins a step that no procedure describes.
    fn begin_free(&mut self, at: Mono, name: String, bench: &BenchView, effects: &mut Vec<Effect>) -> Arc<StepView> {
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
            limit_text: None,
            asks: false,
            has_next_item: false,
        };
        let criteria = StepCriteria::nothing(&view);
        self.begin_step(at, view, criteria, bench, effects)
    }

    fn begin_place(&mut self, at: Mono, place: usize, bench: &BenchView, effects: &mut Vec<Effect>) -> Arc<StepView> {
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
            limit: spec.limit.filter(|_| spec.shape.is_none()),
            limit_text: spec
                .relative
                .as_ref()
                .map(ToString::to_string)
                .or(spec.shape_limit())
                .or(spec.answer.map(|good| good.word().to_owned())),
            asks: spec.answer.is_some(),
            has_next_item: spec.set.is_some()
                && procedure.steps.get(place + 1).is_some_and(|next| next.set == spec.set),
        };
        self.place = place;
        let named = |name: &str| channel_named(bench.channels, name);
        let captured = |name: &str| self.captured.reading(name);
        let mut criteria = StepCriteria::of(spec, &self.begin.visit, named).referring(spec, captured);
        criteria.proof = procedure.proof.clone();
        criteria.driver = procedure.driver(spec.circuit.as_deref());
        let circuit = spec.circuit.as_ref().unwrap_or(&spec.name);
        criteria.coil = self.holds.get(circuit).copied().unwrap_or_default();
        let warm = match (spec.hold_at_most, spec.quantity) {
            (Some(at_most), _) => criteria.coil.warning(circuit, at_most, at),
            (None, Some(Quantity::Ohms)) => criteria.coil.ohms_warning(circuit, at),
            _ => None,
        };
        let view = self.begin_step(at, view, criteria, bench, effects);
        effects.extend(warm.into_iter().flat_map(|text| Effect::announce(at, text)));
        self.advise_ahead(at, bench, effects);
        view
    }

    /// Announces what the next step needs beforehand, where its channel is known.
    fn advise_ahead(&mut self, at: Mono, bench: &BenchView, effects: &mut Vec<Effect>) {
        let Some(procedure) = self.procedure() else { return };
        let Some(next) = procedure.steps.get(self.place + 1) else { return };
        let id = next.channel.as_ref().and_then(|name| channel_named(bench.channels, name));
        let channel = id.and_then(|id| bench.channels.get(usize::from(id.0))?.as_ref());
        let (Some(id), Some(channel), Some(quantity)) = (id, channel, next.quantity) else { return };
        let zeroed = bench.zeros.is_fresh(usize::from(id.0));
        let prompt = self.prompts.ahead(&next.name, quantity, channel, zeroed);
        effects.extend(prompt.into_iter().flat_map(|text| Effect::announce(at, text)));
    }

    fn begin_step(
        &mut self,
        at: Mono,
        view: StepView,
        mut criteria: StepCriteria,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Arc<StepView> {
        let view = Arc::new(view);
        self.steps = view.number;
        let channel = criteria.channel;
        let found = channel.and_then(|id| bench.channels.get(usize::from(id.0))?.as_ref());
        if let (Some(id), Some(found)) = (channel, found) {
            criteria.channel_found(id, found);
            criteria.zero_u = bench.zeros.u(usize::from(id.0));
        }
        for (id, channel) in (0..).map(ChannelId).zip(bench.channels) {
            if let Some(channel) = channel {
                criteria.bench_channel(id, channel);
            }
        }
        let mut step = ActiveStep::begin(at, view.clone(), criteria, self.rest.take(), std::mem::take(&mut self.facts));
        for (id, channel) in (0..).zip(bench.channels) {
            if let Some(channel) = channel {
                step.bench_channel(ChannelId(id), channel);
            }
        }
        self.step = Some(step);
        effects.push(Effect::Record(Record::StepBegan(Box::new(StepBegan { at, view: view.clone() }))));
        effects.push(Effect::Notice(Notice::Step(view.clone())));
        self.advise(at, &view, channel, bench, effects);
        if view.asks {
            effects.extend(Effect::announce(at, format!("{}: yes or no?", view.name)));
        }
        view
    }

    /// Announces the prompts before a step on this channel; nothing while no meter has the channel.
    fn advise(
        &mut self,
        at: Mono,
        view: &StepView,
        channel: Option<ChannelId>,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) {
        let id = channel.map(|id| usize::from(id.0));
        let channel = id.and_then(|id| bench.channels.get(id)?.as_ref());
        let prompts = self.prompts.before(view, channel, id.is_some_and(|id| bench.zeros.is_fresh(id)));
        effects.extend(prompts.into_iter().flat_map(|text| Effect::announce(at, text)));
        if let (Some(step), Some(channel)) = (&mut self.step, channel) {
            let in_doubt = self.prompts.jack_is_in_doubt(&channel.meter_name);
            step.judge.proof.jacks(channel.has_jacks(), in_doubt);
        }
    }

    /// A channel became known: perhaps the one that the active step waits for.
    pub(super) fn channel_found(
        &mut self,
        at: Mono,
        id: ChannelId,
        channel: &Channel,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) {
        let Some(step) = &mut self.step else { return };
        if step.channel_found(id, channel) {
            let view = step.view.clone();
            self.advise(at, &view, Some(id), bench, effects);
        }
        self.advise_ahead(at, bench, effects);
    }

    /// Ends the active step, and updates the findings.
    pub(super) fn leave(
        &mut self,
        at: Mono,
        left: StepExit,
        channels: &[Option<Channel>],
        effects: &mut Vec<Effect>,
    ) -> Option<Judgement> {
        let mut step = self.step.take()?;
        let mut events = Vec::new();
        step.close_watch(at, &mut events);
        for event in events {
            if let StepEvent::Watched(event) = event {
                effects.extend(event.effects(at));
            }
        }
        self.rest = step.rest();
        let view = step.view.clone();
        self.facts = step.judge.proof.facts.clone();
        let is_feed = step.judge.criteria.measured() == MeasuredPoint::Feed;
        let jack_in_doubt = step.judge.proof.jack_is_in_doubt();
        if let Some(coil) = step.judge.coil(at) {
            self.holds.insert(view.circuit.clone().unwrap_or_else(|| view.name.clone()), coil);
        }
        let mut ended = step.end(at, left, &self.void);
        if let Some(capture) = &mut ended.capture
            && let Some(remark) = self.captured.contradiction(&view.name, &capture.judgement)
        {
            effects.extend(Effect::announce(at, format!("{}: {remark}", view.name)));
            capture.judgement.reason += &format!("; {remark}");
        }
        let judged = ended.capture.as_ref().map(|capture| capture.judgement.clone());
        if let (true, Some(Value::Number(volts))) = (is_feed, judged.as_ref().and_then(Judgement::value)) {
            self.facts.feed_captured(volts);
        }
        let captured_at = ended.capture.as_ref().map(|capture| capture.at);
        if let Some(capture) = &ended.capture {
            self.prompts.captured(&view, capture);
            let channel = capture.channel.and_then(|id| channels.get(usize::from(id.0))?.as_ref());
            self.captured.keep(&view.name, &capture.judgement, channel);
        }
        effects.push(Effect::Record(Record::StepEnded(Box::new(ended))));
        effects.push(Effect::Notice(Notice::Judged { step: view.name.clone(), judgement: judged.clone() }));
        let channel = view
            .channel
            .as_ref()
            .and_then(|name| channels.get(usize::from(channel_named(channels, name)?.0))?.as_ref());
        if let Some(channel) = channel.filter(|_| !jack_in_doubt) {
            self.prompts.jack_is_right(&channel.meter_name);
        }
        if let (Some(judged), Some(captured)) = (&judged, captured_at) {
            let seconds = captured.since(self.began) as f64 / 1e6;
            let task = self.findings.learn(&view, judged, seconds, channel);
            effects.extend(task.map(|task| Effect::WorkOut(Box::new(task))));
        }
        judged
    }

    /// Findings were worked out; announces the first one, where it changed.
    pub(super) fn concluded(
        &mut self,
        session: Uuid,
        captures: u64,
        findings: Vec<Finding>,
        effects: &mut Vec<Effect>,
    ) {
        if !self.findings.concluded(session, captures, findings) {
            return;
        }
        let all = self.begin.procedure.as_ref().map_or(0, |procedure| procedure.steps.len());
        let first = self.findings.ranked().first().filter(|finding| {
            // That nothing is wrong is announced only once everything has been measured.
            !matches!(finding.kind, FindingKind::Healthy | FindingKind::NoFaultShown) || self.place >= all
        });
        effects.extend(first.map(|finding| Effect::Notice(Notice::Finding(Arc::new(finding.clone())))));
    }

    /// No step follows: announces what must be put back.
    pub(super) fn put_back(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        effects.extend(self.prompts.after_last_step().into_iter().flat_map(|text| Effect::announce(at, text)));
    }

    fn attempt(&mut self, name: &str) -> u32 {
        let attempt = self.attempts.entry(name.to_owned()).or_default();
        *attempt += 1;
        *attempt
    }
}

/// The place of a step that is given by its name, in any capitalisation, by its place, or by the beginning of its
/// name. An exact name wins over a number. What could mean several steps is refused, such as a number with which the
/// name of another step begins.
fn place_of(procedure: &Procedure, wanted: &str) -> Result<usize, Refusal> {
    if let Some(exact) = procedure.steps.iter().position(|step| step.name == wanted) {
        return Ok(exact);
    }
    let lowercase = wanted.to_lowercase();
    let places = |matches: &dyn Fn(&str) -> bool| -> Vec<usize> {
        let names = procedure.steps.iter().map(|step| step.name.to_lowercase()).enumerate();
        names.filter(|(_, name)| matches(name)).map(|(place, _)| place).collect()
    };
    let mut meant = places(&|name| name == lowercase);
    if meant.is_empty() && !lowercase.is_empty() {
        meant = places(&|name| name.starts_with(&lowercase));
        let number = lowercase.parse().ok().and_then(|number: usize| number.checked_sub(1));
        meant.extend(number.filter(|place| *place < procedure.steps.len() && !meant.contains(place)));
    }
    match meant[..] {
        [only] => Ok(only),
        _ => Err(Refusal::UnknownStep {
            name: wanted.to_owned(),
            steps: procedure.steps.iter().map(|step| step.name.clone()).collect(),
        }),
    }
}

/// The text without surrounding blanks; refused where nothing is left or it is too long.
pub(super) fn trimmed(text: &str, what: &'static str, most: usize) -> Result<String, Refusal> {
    match text.trim() {
        "" => Err(Refusal::Empty { what }),
        text => check_length(text, what, most).map(|()| text.to_owned()),
    }
}
