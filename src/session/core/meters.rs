//! Meters that come, go and fall silent.

use crate::{
    channel::{Channel, ChannelId, MeterId},
    clock::Mono,
    session::{Core, CoreInput, Effect, Record, meters::FIRST_OPENED, record::EventKind},
};

impl Core {
    /// From these meters readings are expected, though no channel of theirs is known before their first frame.
    pub(crate) fn expect_readings(&mut self, meters: impl Iterator<Item = MeterId>) {
        for meter in meters {
            if let Some(state) = self.meters.get_mut(usize::from(meter.0)) {
                state.expected = true;
            }
        }
    }

    /// A new session records which meters are missing as it begins, and the identity of the others.
    pub(super) fn remember_meters(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for meter in &mut self.meters {
            meter.begin_counting();
            if let Some(text) = meter.reset_reported() {
                effects.push(Effect::Record(Record::Event(at, EventKind::Identity, meter.name.clone(), text)));
            }
        }
        let absent = self.meters.iter().filter(|meter| !meter.open && meter.since.is_some());
        for meter in absent {
            let (subject, text) = (meter.name.clone(), meter.why.clone());
            effects.push(Effect::Record(Record::Event(at, EventKind::MeterLost, subject, text)));
        }
    }

    pub(super) fn reading_received(&mut self, channel: ChannelId, at: Mono, effects: &mut Vec<Effect>) {
        let Some(Some(channel)) = self.channels.get(usize::from(channel.0)) else { return };
        let Some(meter) = self.meters.get_mut(usize::from(channel.meter.0)) else { return };
        if let Some(silence) = meter.reading_received(at) {
            let name = meter.name.clone();
            self.alarm(format!("silent {name}"), None);
            let text = format!("readings again, after {:.0} s", silence as f64 / 1e6);
            self.remark(at, EventKind::MeterFound, name, text, effects);
        }
    }

    /// Reports meters that send nothing: switched off, or never switched on.
    pub(super) fn check_silence(&mut self, at: Mono, effects: &mut Vec<Effect>) {
        for index in 0..self.meters.len() {
            let is_its = |channel: &Channel| usize::from(channel.meter.0) == index;
            // A foot switch sends no readings: a meter without a channel may be one.
            let is_unintelligible = self.meters[index].is_unintelligible();
            if !is_unintelligible && !self.meters[index].expected && !self.channels.iter().flatten().any(is_its) {
                continue;
            }
            let Some(silence) = self.meters[index].fell_silent(at) else { continue };
            let name = self.meters[index].name.clone();
            let seconds = silence as f64 / 1e6;
            let text = if is_unintelligible {
                format!(
                    "what \"{name}\" sends can't be read, for {seconds:.0} s: check its protocol and the speed of its line; \
                     `bayline identify` finds both"
                )
            } else {
                format!("no reading from \"{name}\" for {seconds:.0} s: check that it is switched on and sends data")
            };
            self.alarm(format!("silent {name}"), Some(text.clone()));
            self.remark(at, EventKind::MeterSilent, name, text, effects);
        }
    }

    pub(super) fn meter(&mut self, at: Mono, meter: MeterId, lost: Option<String>, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        // It is still missing, for another reason now: the alarm tells the present, and the loss is one event.
        if let Some(why) = lost.as_ref().filter(|_| state.is_missing()) {
            state.why.clone_from(why);
            return self.alarm(format!("meter {name}"), Some(format!("meter \"{name}\" is not there: {why}")));
        }
        let was_missing = state.is_missing();
        state.changed(at, lost.as_deref());
        self.alarm(format!("silent {name}"), None);
        self.alarm(format!("meter {name}"), lost.as_ref().map(|why| format!("meter \"{name}\" is not there: {why}")));
        let Some(why) = lost else {
            let text = if was_missing { "its port is open now" } else { FIRST_OPENED };
            return self.remark(at, EventKind::MeterFound, name, text.to_owned(), effects);
        };
        self.keep_input(at, || CoreInput::MeterLost(meter.0), effects);
        let channels = &self.channels;
        let gone = |id: ChannelId| {
            channels.get(usize::from(id.0)).and_then(Option::as_ref).is_some_and(|channel| channel.meter == meter)
        };
        if let Some(step) = self.session.as_mut().and_then(|session| session.step.as_mut()) {
            step.lost(at, gone, &mut self.events);
        }
        self.derived.lost(gone);
        for (index, latest) in self.latest.iter_mut().enumerate() {
            if u16::try_from(index).is_ok_and(|id| gone(ChannelId(id))) {
                *latest = None;
            }
        }
        self.handle_step_events(at, effects);
        self.remark(at, EventKind::MeterLost, name, why, effects);
    }

    /// The same meter plugged in again is not recorded again.
    pub(super) fn meter_identity(&mut self, at: Mono, meter: MeterId, identity: String, effects: &mut Vec<Effect>) {
        let Some(state) = self.meters.get_mut(usize::from(meter.0)) else { return };
        let name = state.name.clone();
        if let Some(text) = state.set_identity(identity) {
            self.remark(at, EventKind::Identity, name, text, effects);
        }
    }
}
