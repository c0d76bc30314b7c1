//! The present state, for `status` and for watching clients.

use super::{EventLoop, FRESH, publish};
use crate::{
    clock::{Mono, micros},
    server::{AskMessage, ChannelLine, ClockLine, MeterLine, News, SessionLine, StatusReport, StepMessage},
    session::{LatestSample, Verdict, findings::FindingRecord},
    units::Limit,
};

impl EventLoop {
    /// Sends those who watch what the channels show.
    pub(super) fn publish_readings(&mut self) {
        let at = self.clock.mono();
        let fresh = self.core.latest().filter(|(_, latest)| at.since(latest.sample.at) <= micros(FRESH));
        let readings: Vec<ChannelLine> = fresh
            .map(|(channel, latest)| {
                reading_line(&channel.name, latest, self.core.verdict_now(latest), self.limit_on(&channel.name), at)
            })
            .collect();
        let elapsed_s = self.core.session().map(|(_, began, _)| at.since(began) as f64 / 1e6);
        publish(&self.outputs.news, News::Readings { elapsed_s, readings });
        self.core.mark_read();
    }

    /// The limit of the step, where it judges this channel.
    fn limit_on(&self, channel: &str) -> Option<Limit> {
        self.core.step_view().filter(|step| step.channel.as_deref() == Some(channel))?.limit
    }

    pub(super) fn status(&self, at: Mono) -> StatusReport {
        let session = self.core.session().map(|(begin, began, samples)| SessionLine {
            uuid: begin.id.to_string(),
            elapsed_s: at.since(began) as f64 / 1e6,
            samples,
            machine: begin.visit.machine.clone(),
            job: begin.visit.job.clone(),
            procedure: begin.procedure.as_ref().map(|procedure| procedure.title.clone()),
            caution: begin.procedure.as_ref().map(|procedure| procedure.caution.clone()),
        });
        let channels_of = |index: usize| {
            let of_meter = self.core.channels().filter(move |channel| usize::from(channel.meter.0) == index);
            of_meter.map(|channel| channel.name.clone()).collect()
        };
        let meters = self.core.meters().iter().zip(&self.port_stats).enumerate();
        let meters = meters.map(|(index, (meter, stats))| MeterLine {
            meter: meter.name.clone(),
            channels: channels_of(index),
            open: meter.open,
            why: meter.why.clone(),
            identity: meter.identity.clone(),
            frames: stats.frames,
            refused: stats.refused,
            lost: stats.lost,
            unanswered: stats.unanswered,
            clock: stats.clock.map(|fit| ClockLine {
                jitter_s: fit.jitter,
                drift_ppm: fit.drift_ppm,
                frames: fit.frames,
                resets: fit.resets,
            }),
        });
        StatusReport {
            session,
            step: self.core.step_view().map(|view| StepMessage::from(&**view)),
            shape: self.core.shape().map(|judgement| judgement.reason),
            ask: self.core.ask().map(AskMessage::from),
            readings: self
                .core
                .latest()
                .map(|(channel, latest)| {
                    let (verdict, limit) = (self.core.verdict_now(latest), self.limit_on(&channel.name));
                    reading_line(&channel.name, latest, verdict, limit, at)
                })
                .collect(),
            meters: meters.collect(),
            alarms: self.core.alarms().map(str::to_owned).collect(),
            findings: self.core.findings().map(FindingRecord::from).collect(),
            findings_pending: self.core.findings_pending(),
            database: self.database.display().to_string(),
            page: self.page.clone(),
            speaker: self.outputs.speaker.name().map(str::to_owned),
            process: std::process::id(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

fn reading_line(
    channel: &str,
    latest: &LatestSample,
    verdict: Option<Verdict>,
    limit: Option<Limit>,
    at: Mono,
) -> ChannelLine {
    let sample = &latest.sample;
    ChannelLine {
        channel: channel.to_owned(),
        value: sample.value,
        shown: sample.shown(limit.as_ref()),
        quantity: sample.quantity,
        unit: sample.quantity.unit().to_owned(),
        digit: sample.digit,
        u: sample.u,
        least: latest.unread.map(|(least, _)| least),
        greatest: latest.unread.map(|(_, greatest)| greatest),
        verdict,
        age_s: at.since(sample.at) as f64 / 1e6,
    }
}
