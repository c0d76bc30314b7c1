//! Port events: ports opened and lost, samples, button presses and remarks.

use super::{
    super::ports::{PortEvent, PortEventKind, PortStats},
    EventLoop,
};
use crate::{
    channel::{Batch, MeterEvent, MeterId, Sample},
    clock::Mono,
    procedure::YesNo,
    protocol::Action,
    session::{Announcement, Command, CoreEvent, EventKind, FrameCounts, StepMove},
};

impl EventLoop {
    pub(super) fn port(&mut self, event: PortEvent) {
        let PortEvent { meter, at, stats, kind } = event;
        let name = self.meters.get(usize::from(meter.0)).cloned().unwrap_or_default();
        self.count(at, meter, stats);
        match kind {
            PortEventKind::Channels(channels) => {
                for (id, channel) in channels {
                    self.handle_event(at, CoreEvent::Channel(id, channel));
                }
            }
            PortEventKind::Opened => {
                tracing::info!("meter \"{name}\": its port is open");
                self.handle_event(at, CoreEvent::MeterOpened(meter));
            }
            PortEventKind::Lost(why) => {
                tracing::warn!("meter \"{name}\" is not there: {why}");
                self.handle_event(at, CoreEvent::MeterLost(meter, why));
            }
            PortEventKind::Blocked(waited) => {
                let text = format!(
                    "the port was not read for {} ms, since the disk was busy; bytes may be lost",
                    waited.as_millis()
                );
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::SamplesLost, subject: name, text });
            }
            PortEventKind::Odd(text) => {
                tracing::warn!("meter \"{name}\": {text}");
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::BadFrame, subject: name, text });
            }
            PortEventKind::Batch(batch) => self.batch(at, meter, &name, batch),
            PortEventKind::Stats => {}
        }
        self.note_lost(at);
    }

    /// Keeps a port's counters, and passes on to the core those that belong to the session.
    fn count(&mut self, at: Mono, meter: MeterId, stats: PortStats) {
        let Some(known) = self.port_stats.get_mut(usize::from(meter.0)) else { return };
        let before = std::mem::replace(known, stats);
        let resets = |stats: &PortStats| stats.clock.map_or(0, |fit| fit.resets);
        if resets(&stats) > resets(&before) {
            let name = self.meters.get(usize::from(meter.0)).cloned().unwrap_or_default();
            let text = "its clock began anew: the board was restarted, or its clock was set".to_owned();
            tracing::warn!("meter \"{name}\": {text}");
            self.handle_event(at, CoreEvent::Remark { kind: EventKind::BoardRestarted, subject: name, text });
        }
        let of_core = |stats: PortStats| (stats.refused, stats.lost, stats.frames > 0, stats.bytes > 0);
        if of_core(before) != of_core(stats) {
            let PortStats { refused, lost, frames: decoded, bytes, .. } = stats;
            let counts = FrameCounts { refused, lost, decoded, bytes };
            self.handle_event(at, CoreEvent::FrameCounts(meter, counts));
        }
    }

    /// Channels are handled before their samples; a button press is handled between the samples around it.
    fn batch(&mut self, at: Mono, id: MeterId, meter: &str, batch: Batch) {
        if let Some(stats) = self.port_stats.get(usize::from(id.0)) {
            self.observed_bench.report(id, at, stats.frames);
        }
        let mut presses = Vec::new();
        for found in batch.events {
            match found {
                MeterEvent::Action(action, after) => presses.push((action, after)),
                found => self.found(at, id, meter, found),
            }
        }
        let (mut samples, mut handled) = (batch.samples, 0);
        for (action, after) in presses {
            let later = samples.split_off((after - handled).min(samples.len()));
            self.samples(at, std::mem::replace(&mut samples, later));
            handled = after;
            self.pressed(at, meter, action);
        }
        self.samples(at, samples);
    }

    fn samples(&mut self, at: Mono, samples: Vec<Sample>) {
        if !samples.is_empty() {
            self.handle_event(at, CoreEvent::Samples(samples));
        }
    }

    /// A button or foot switch of a device was pressed.
    fn pressed(&mut self, at: Mono, meter: &str, action: Action) {
        let command = match action {
            Action::Next => Command::Step(StepMove::Next),
            Action::Again => Command::Step(StepMove::Again),
            // A foot switch with one pedal says yes.
            Action::Take if self.core.step_view().is_some_and(|step| step.asks) => Command::Answer(YesNo::Yes),
            Action::Take => Command::Take(None),
            Action::Yes => Command::Answer(YesNo::Yes),
            Action::No => Command::Answer(YesNo::No),
            Action::Mark => Command::Mark { text: format!("button on {meter}"), by: meter.to_owned() },
        };
        match self.core.command(at, command, &mut self.effects) {
            Ok(_) => self.apply_effects(),
            // A button has no screen: the refusal is announced.
            Err(refusal) => {
                tracing::warn!("the button on meter \"{meter}\" did nothing: {refusal}");
                self.outputs.announce(&Announcement::refused(&refusal.to_string()));
                let text = format!("the button did nothing: {refusal}");
                self.handle_event(
                    at,
                    CoreEvent::Remark { kind: EventKind::Announced, subject: meter.to_owned(), text },
                );
            }
        }
    }

    fn found(&mut self, at: Mono, id: MeterId, meter: &str, found: MeterEvent) {
        match found {
            MeterEvent::Identity(text) => {
                tracing::info!("meter \"{meter}\": its identity is {text}");
                self.handle_event(at, CoreEvent::MeterIdentity(id, text));
            }
            MeterEvent::Action(action, _) => self.pressed(at, meter, action),
            MeterEvent::Gap(lost) => {
                let text = format!("{lost} frames were lost on the way, by their sequence numbers");
                self.handle_event(
                    at,
                    CoreEvent::Remark { kind: EventKind::SamplesLost, subject: meter.to_owned(), text },
                );
            }
            MeterEvent::Channel(id, channel) => self.handle_event(at, CoreEvent::Channel(id, channel)),
            MeterEvent::Problem(problem) => {
                let text = format!("{}: {}", problem.reason, problem.frame);
                tracing::warn!("meter \"{meter}\": {text}");
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::BadFrame, subject: meter.to_owned(), text });
            }
            MeterEvent::Missing { channel, reads, carried } => {
                let carried = if carried.is_empty() { "none".to_owned() } else { carried.join(", ") };
                let text = format!(
                    "channel \"{channel}\" reads \"{reads}\", which no frame of meter \"{meter}\" carries; they carry: {carried}"
                );
                tracing::warn!("{text}");
                self.handle_event(at, CoreEvent::Alarm { key: format!("channel {channel}"), text: Some(text.clone()) });
                self.handle_event(at, CoreEvent::Remark { kind: EventKind::MissingValue, subject: channel, text });
            }
        }
    }
}
