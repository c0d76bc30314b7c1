//! A step begins: its criteria from procedure and bench, and what is announced before it.

use std::sync::Arc;

use super::{BenchView, Session};
use crate::{
    channel::{Channel, ChannelId},
    clock::Mono,
    session::{
        Effect, Notice, Record, StepView,
        active_step::{ActiveStep, channel_named},
        judge::StepCriteria,
        record::StepBegan,
    },
    units::Quantity,
};

impl Session {
    /// Begins a step that no procedure describes.
    pub(super) fn begin_free(
        &mut self,
        at: Mono,
        name: String,
        bench: &BenchView,
        effects: &mut Vec<Effect>,
    ) -> Arc<StepView> {
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
        let criteria = StepCriteria::unjudged(&view);
        self.begin_step(at, view, criteria, bench, effects)
    }

    pub(super) fn begin_place(
        &mut self,
        at: Mono,
        place: usize,
        bench: &BenchView,
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
        let captured = |name: &str| self.captured.referred_value(name);
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

    fn attempt(&mut self, name: &str) -> u32 {
        let attempt = self.attempts.entry(name.to_owned()).or_default();
        *attempt += 1;
        *attempt
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
    pub(in crate::session) fn channel_found(
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
}
