//! What the core shows to those who only read.

use std::sync::Arc;

use super::{Core, LatestSample};
use crate::{
    channel::Channel,
    clock::Mono,
    session::{Begin, StepView, Verdict, findings::Finding, meters::MeterState, proof::Ask},
};

impl Core {
    /// The newest sample of each channel.
    pub fn latest(&self) -> impl Iterator<Item = (&Channel, &LatestSample)> {
        self.channels
            .iter()
            .zip(&self.latest)
            .filter_map(|(channel, latest)| Some((channel.as_ref()?, latest.as_ref()?)))
    }

    /// The verdict of a sample by the step that is on; none where it came before that step.
    pub fn verdict_now(&self, latest: &LatestSample) -> Option<Verdict> {
        let step = self.session.as_ref()?.step.as_ref()?;
        latest.verdict.filter(|_| latest.sample.at >= step.judge.began())
    }

    /// All channels known so far.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.channels.iter().flatten()
    }

    /// The state of each meter.
    pub fn meters(&self) -> &[MeterState] {
        &self.meters
    }

    /// The present alarms.
    pub fn alarms(&self) -> impl Iterator<Item = &str> {
        self.alarms.iter().map(|(_, text)| text.as_str())
    }

    /// The findings from the captures so far, the best first.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.session.as_ref().map_or(&[][..], |session| session.findings.ranked()).iter()
    }

    /// Whether captures came that the findings do not rest on yet.
    pub fn findings_pending(&self) -> bool {
        self.session.as_ref().is_some_and(|session| session.findings.is_pending())
    }

    /// The question that waits for an answer.
    pub fn ask(&self) -> Option<&Ask> {
        self.session.as_ref()?.step.as_ref()?.judge.proof.ask()
    }

    /// The step that is on.
    pub fn step_view(&self) -> Option<&Arc<StepView>> {
        Some(&self.session.as_ref()?.step.as_ref()?.view)
    }

    /// The open session: what it began with, when, and how many samples it has.
    pub fn session(&self) -> Option<(&Begin, Mono, u64)> {
        self.session.as_ref().map(|session| (&session.begin, session.began, session.samples))
    }
}
