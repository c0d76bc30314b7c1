//! A step ends: what it captured goes into the record, the prompts, the limits of other steps and the findings.

use super::Session;
use crate::{
    channel::Channel,
    clock::Mono,
    protocol::Value,
    session::{
        Effect, Judgement, Notice, Record, active_step::channel_named, judge::StepEvent, proof::MeasuredPoint,
        record::StepExit,
    },
};

impl Session {
    /// Ends the active step, and updates the findings.
    pub(in crate::session) fn leave(
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
        let captured = ended.capture.as_ref().map(|capture| (capture.at, capture.how));
        if let Some(capture) = &ended.capture {
            self.prompts.captured(&view, capture);
            let channel = capture.channel.and_then(|id| channels.get(usize::from(id.0))?.as_ref());
            self.captured.insert(&view.name, &capture.judgement, channel);
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
        if let (Some(judged), Some((captured_at, how))) = (&judged, captured) {
            let seconds = captured_at.since(self.began) as f64 / 1e6;
            let task = self.findings.learn(&view, judged, (seconds, how), channel);
            effects.extend(task.map(|task| Effect::WorkOut(Box::new(task))));
        }
        judged
    }
}
