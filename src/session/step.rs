//! The step that is on: its judge and the figures of every signal seen during it.

use std::sync::Arc;

use super::{
    Capture, Step, StepView, Verdict,
    judge::{Aim, Figures, StepJudge},
    procedure::CaptureMode,
    record::{Left, SignalFigures, StepEnded},
};
use crate::{
    channel::{Channel, ChannelId, Sample},
    clock::Mono,
    electrics::Rule,
};

/// A step between its begin and its end.
#[derive(Debug)]
pub(super) struct RunningStep {
    pub view: Arc<StepView>,
    pub judge: StepJudge,
    /// By channel; a channel has one entry for each function that its meter was on.
    figures: Vec<Vec<SignalFigures>>,
}

impl RunningStep {
    pub fn begin(view: Arc<StepView>, spec: Option<&Step>, channels: &[Option<Channel>]) -> Self {
        let aim = Aim {
            channel: view.channel.as_ref().and_then(|name| named(channels, name)),
            quantity: view.quantity,
            limit: view.limit,
            rule: spec.map_or(Rule::Guarded, |spec| spec.rule),
            mode: spec.map_or(CaptureMode::default(), |spec| spec.capture),
        };
        Self { view, judge: StepJudge::new(aim), figures: Vec::new() }
    }

    /// A channel turned up: perhaps the one that the step waits for.
    pub fn channel_found(&mut self, id: ChannelId, channel: &Channel) {
        if self.view.channel.as_ref() == Some(&channel.name) {
            self.judge.aim.channel = Some(id);
        }
    }

    /// One more sample; the verdict on it alone.
    pub fn sample(&mut self, sample: &Sample) -> Option<Verdict> {
        let verdict = self.judge.sample(sample);
        self.signal(sample).figures.add(sample.at, sample.value, verdict);
        verdict
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

    /// The meter of these channels went away.
    pub fn meter_lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        if self.judge.aim.channel.is_some_and(gone) {
            self.judge.lost();
        }
    }

    /// The step is left.
    pub fn end(self, at: Mono, left: Left) -> StepEnded {
        let capture: Option<Capture> = match left {
            Left::Skipped => None,
            _ => self.judge.close(at),
        };
        StepEnded { at, number: self.view.number, left, capture, figures: self.figures.into_iter().flatten().collect() }
    }
}

/// The channel of a name.
pub(super) fn named(channels: &[Option<Channel>], name: &str) -> Option<ChannelId> {
    let index = channels.iter().position(|channel| channel.as_ref().is_some_and(|channel| channel.name == name))?;
    u16::try_from(index).ok().map(ChannelId)
}
