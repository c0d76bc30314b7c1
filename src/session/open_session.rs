//! The open session and its place in the procedure.
//!
//! Reading order: here, `moves` (from step to step), `begin_step`, `leave_step`.

mod begin_step;
mod leave_step;
mod moves;

use std::{collections::HashMap, sync::Arc};

use uuid::Uuid;

use super::{
    Begin, Effect, Judgement, Notice, Refusal, StepView, VisitTemperatures,
    active_step::{ActiveStep, LeadPosition},
    captured_values::CapturedValues,
    clamp_zero::ClampZeros,
    findings::{Finding, FindingKind},
    judge::{CoilHold, VoidCapture},
    photo::PhotoList,
    prompts::OperatorPrompts,
    proof::LeadFacts,
    session_findings::SessionFindings,
};
use crate::{
    channel::{Channel, ChannelId},
    clock::Mono,
    electrics::Uncertain,
    procedure::{Advance, CaptureMode, Procedure},
    text_length::LengthCheck,
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
                captured.insert(&step.name, &judged.judgement, None);
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
}

/// The text without surrounding blanks; refused where nothing is left or it is too long.
pub(super) fn trimmed(text: &str, what: &'static str, check: LengthCheck) -> Result<String, Refusal> {
    match text.trim() {
        "" => Err(Refusal::Empty { what }),
        text => Ok(check(what, text).map(|()| text.to_owned())?),
    }
}
