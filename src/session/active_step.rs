//! The active step: its judge, and the figures of every signal during it.

use std::sync::Arc;

use super::{
    Capture, CaptureMethod, Judgement, PreviousStep, PreviousWorst, StepView, Verdict, WaveformSummary,
    judge::{Figures, LeadContact, StepEvent, StepJudge, VoidCapture},
    proof::LeadFacts,
    record::{SignalFigures, StepEnded, StepExit},
    watch::{JudgedSample, StepWatch, WatchEvent},
    waveform::{WaveformDepth, WaveformMeter, judged_shape},
};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::Mono,
    protocol::{Annunciators, Value},
};

/// A step between its begin and its end.
#[derive(Debug)]
pub(super) struct ActiveStep {
    pub view: Arc<StepView>,
    pub judge: StepJudge,
    /// Where the step watches.
    watch: Option<StepWatch>,
    /// What the watch wants done; empty between calls, kept to reuse its memory.
    watched: Vec<WatchEvent>,
    /// What an earlier session saw of this step, until its channel is known.
    before: Option<PreviousWorst>,
    /// By channel; a channel has one entry for each function that its meter was switched to.
    figures: Vec<Vec<SignalFigures>>,
    /// By channel; none where its signal has no shape.
    waveforms: Vec<Option<WaveformMeter>>,
    /// By channel: its name.
    names: Vec<String>,
}

/// The measuring point at which a step leaves the leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct LeadPosition {
    channel: ChannelId,
    quantity: Option<crate::units::Quantity>,
}

impl ActiveStep {
    /// Begins a step; `rest` is where the leads still are.
    pub(super) fn begin(
        at: Mono,
        view: Arc<StepView>,
        criteria: super::judge::StepCriteria,
        rest: Option<LeadPosition>,
        facts: LeadFacts,
    ) -> Self {
        let same_place =
            rest.is_some_and(|rest| criteria.channel == Some(rest.channel) && criteria.quantity == rest.quantity);
        let contact =
            if same_place { LeadContact::still_there(criteria.contact) } else { LeadContact::new(criteria.contact) };
        let (mode, responses, watched) = (criteria.mode, criteria.responses.clone(), criteria.watched.clone());
        let mut judge = StepJudge::new(criteria, at, contact);
        judge.proof.facts = facts;
        let watch = mode.is_watch().then(|| StepWatch::new(view.number, mode, at, responses, &watched));
        Self {
            view,
            judge,
            watch,
            watched: Vec::new(),
            before: None,
            figures: Vec::new(),
            waveforms: Vec::new(),
            names: Vec::new(),
        }
    }

    /// Where the leads still are, when they have not been lifted since the capture.
    pub(super) fn rest(&self) -> Option<LeadPosition> {
        let channel = self.judge.criteria.channel?;
        self.judge.rests_on_its_capture().then_some(LeadPosition { channel, quantity: self.judge.criteria.quantity })
    }

    /// A channel became known. True if the step waited for it.
    pub(super) fn channel_found(&mut self, id: ChannelId, channel: &Channel) -> bool {
        self.judge.criteria.bench_channel(id, channel);
        self.bench_channel(id, channel);
        let (is_own, was_waited_for) =
            (self.view.channel.as_ref() == Some(&channel.name), self.judge.criteria.channel.is_none());
        if is_own {
            self.judge.criteria.channel_found(id, channel);
            if let Some(before) = self.before.take() {
                self.continue_from(before, Some((id, channel)));
            }
        }
        is_own && was_waited_for
    }

    /// A channel of the bench, whether the step looks at it or not.
    pub(super) fn bench_channel(&mut self, id: ChannelId, channel: &Channel) {
        self.judge.proof.channel_found(id, &channel.name);
        let index = usize::from(id.0);
        if index >= self.names.len() {
            self.names.resize(index + 1, String::new());
        }
        channel.name.clone_into(&mut self.names[index]);
        if let Some(watch) = &mut self.watch {
            watch.channel_found(id, channel, self.view.channel.as_ref() == Some(&channel.name));
        }
    }

    /// The operator marked a moment.
    pub(super) fn mark(&mut self, at: Mono, text: &str, events: &mut Vec<StepEvent>) {
        self.watching(events, |watch, watched| watch.mark(at, text, watched));
    }

    /// Handles a tick.
    ///
    /// True where that changed something that is judged; what the watch does then is only said.
    pub(super) fn tick(&mut self, at: Mono, events: &mut Vec<StepEvent>) -> bool {
        let is_judged = self.judge.tick(at, events);
        self.watching(events, |watch, watched| watch.tick(at, watched));
        is_judged
    }

    /// The meters of these channels were lost.
    pub(super) fn lost(&mut self, at: Mono, gone: impl Fn(ChannelId) -> bool, events: &mut Vec<StepEvent>) {
        self.judge.lost(&gone);
        self.watching(events, |watch, watched| watch.lost(at, gone, watched));
    }

    /// What is watched ends with the step.
    pub(super) fn close_watch(&mut self, at: Mono, events: &mut Vec<StepEvent>) {
        self.watching(events, |watch, watched| watch.close(at, watched));
    }

    /// Goes on with what was counted before the session was cut off.
    pub(super) fn watched_before(&mut self, before: &PreviousStep) {
        if let Some(watch) = &mut self.watch {
            watch.seen_before(before.watched);
        }
    }

    fn watching(&mut self, events: &mut Vec<StepEvent>, work: impl FnOnce(&mut StepWatch, &mut Vec<WatchEvent>)) {
        if let Some(watch) = &mut self.watch {
            work(watch, &mut self.watched);
            events.extend(self.watched.drain(..).map(StepEvent::Watched));
        }
    }

    /// Goes on with the worst that was seen in this step before the session was cut off.
    pub(super) fn continue_from(&mut self, before: PreviousWorst, channel: Option<(ChannelId, &Channel)>) {
        let Some((id, channel)) = channel else { return self.before = Some(before) };
        let PreviousWorst { value, quantity } = before;
        let u = match value {
            Value::Number(number) => channel.conversion.standard_uncertainty(quantity, number, None),
            Value::Over | Value::Under => None,
        };
        let annunciators = Annunciators::empty();
        let at = self.judge.began();
        self.judge.seen_before(&Sample {
            at,
            channel: id,
            quantity,
            value,
            u,
            decade: None,
            digit: None,
            annunciators,
        });
    }

    /// Takes one more sample; returns the verdict on this sample alone.
    pub(super) fn sample(&mut self, sample: &Sample, events: &mut Vec<StepEvent>) -> Option<Verdict> {
        let verdict = self.judge.sample(sample, events);
        self.signal(sample).figures.add(sample.at, sample.value, sample.digit, verdict);
        self.waveform(sample, verdict);
        if let Some(watch) = &mut self.watch {
            let limit = self.judge.criteria.limit.as_ref();
            let own = self.judge.last().filter(|_| Some(sample.channel) == self.judge.criteria.channel);
            let judged = own.map(|sample| JudgedSample { sample, verdict, limit });
            watch.sample(sample, judged, &mut self.watched);
            events.extend(self.watched.drain(..).map(StepEvent::Watched));
        }
        verdict
    }

    /// The load counts for the channel that the step looks at: what it shows without it has no shape.
    fn waveform(&mut self, sample: &Sample, verdict: Option<Verdict>) {
        let index = usize::from(sample.channel.0);
        if index >= self.waveforms.len() {
            self.waveforms.resize(index + 1, None);
        }
        let is_own = Some(sample.channel) == self.judge.criteria.channel;
        let slot = &mut self.waveforms[index];
        if slot.as_ref().is_none_or(|meter| meter.quantity() != sample.quantity) {
            let is_wanted = is_own && self.judge.criteria.shape.is_some();
            let depth = if is_wanted { WaveformDepth::Own } else { WaveformDepth::Other };
            *slot = WaveformMeter::new(sample.quantity, depth);
        }
        if let Some(meter) = slot {
            let is_loaded = !is_own || self.judge.loaded(sample.at) != Some(false);
            meter.sample(sample, is_loaded && verdict != Some(Verdict::WrongFunction));
        }
    }

    /// What the step is judged on now, where that is a figure of its signal's shape.
    pub(super) fn shape(&self) -> Option<Judgement> {
        let criteria = &self.judge.criteria;
        let (rule, limit) = criteria.shape.as_ref()?;
        let meter = criteria.channel.and_then(|id| self.waveforms.get(usize::from(id.0))?.as_ref());
        let meter = meter.filter(|meter| criteria.quantity.is_none_or(|wanted| wanted == meter.quantity()));
        let board = criteria.known.as_ref().map_or("the meter", |channel| channel.meter_name.as_str());
        Some(judged_shape(rule, limit.as_ref(), criteria.rule, meter, board))
    }

    fn waveforms(&self) -> Vec<WaveformSummary> {
        let own = self.judge.criteria.channel;
        let meters = (0_u16..).map(ChannelId).zip(&self.waveforms).zip(&self.names);
        let found = meters.filter_map(|((id, meter), name)| {
            let rule = self.judge.criteria.shape.as_ref().map(|(rule, _)| rule).filter(|_| own == Some(id));
            meter.as_ref()?.summary(id, name, rule)
        });
        found.collect()
    }

    fn signal(&mut self, sample: &Sample) -> &mut SignalFigures {
        let index = usize::from(sample.channel.0);
        if index >= self.figures.len() {
            self.figures.resize_with(index + 1, Vec::new);
        }
        let signals = &mut self.figures[index];
        let at = signals.iter().position(|signal| signal.quantity == sample.quantity).unwrap_or_else(|| {
            signals.push(SignalFigures {
                channel: sample.channel,
                quantity: sample.quantity,
                figures: Figures::default(),
            });
            signals.len() - 1
        });
        &mut signals[at]
    }

    /// Ends the step. Captures that are void don't count.
    pub(super) fn end(self, at: Mono, left: StepExit, void: &[VoidCapture]) -> StepEnded {
        let capture: Option<Capture> = match left {
            StepExit::Skipped | StepExit::Undone => None,
            _ => match &self.watch {
                Some(watch) => watch.judged(self.judge.close(at, void), at),
                None => self.judge.close(at, void),
            },
        };
        let capture = match (self.shape(), left) {
            (Some(judgement), left) if left != StepExit::Skipped => {
                let channel = self.judge.criteria.channel;
                Some(Capture::plain(CaptureMethod::Worst, at, channel, judgement))
            }
            _ => capture,
        };
        let waveforms = self.waveforms();
        StepEnded {
            at,
            number: self.view.number,
            left,
            capture,
            figures: self.figures.into_iter().flatten().collect(),
            waveforms,
        }
    }
}

/// The channel of a name.
pub(super) fn channel_named(channels: &[Option<Channel>], name: &str) -> Option<ChannelId> {
    let index = channels.iter().position(|channel| channel.as_ref().is_some_and(|channel| channel.name == name))?;
    u16::try_from(index).ok().map(ChannelId)
}
