//! The derived channels of a bench at work: their samples follow the samples that complete them.

use crate::channel::{Channel, ChannelId, Conversion, DerivedChannel, DerivedSpec, Sample};

/// Those that are known, and those whose channels are not all known yet.
#[derive(Debug, Default)]
pub(super) struct DerivedChannels {
    all: Vec<(ChannelId, DerivedSpec)>,
    waiting: Vec<(ChannelId, DerivedSpec)>,
    working: Vec<DerivedChannel>,
}

impl DerivedChannels {
    /// One more of the bench.
    pub(super) fn add(&mut self, id: ChannelId, spec: DerivedSpec) {
        self.all.push((id, spec.clone()));
        self.waiting.push((id, spec));
    }

    /// A channel became known: the derived channels that begin to work with it.
    pub(super) fn channel_found(&mut self, channels: &[Option<Channel>]) -> Vec<(ChannelId, Channel)> {
        let mut found = Vec::new();
        let working = &mut self.working;
        self.waiting.retain(|(id, spec)| {
            let named = |name: &String| {
                let place =
                    channels.iter().position(|channel| channel.as_ref().is_some_and(|channel| channel.name == *name));
                let place = place?;
                Some((ChannelId(u16::try_from(place).ok()?), channels[place].as_ref()?))
            };
            let (Some((first, channel)), Some((second, _))) = (named(&spec.of[0]), named(&spec.of[1])) else {
                return true;
            };
            working.push(DerivedChannel::new(*id, spec, [first, second]));
            found.push((*id, of(spec, channel)));
            false
        });
        found
    }

    /// The samples with those that they complete, each behind the one that completed it.
    pub(super) fn extend(&mut self, samples: Vec<Sample>) -> Vec<Sample> {
        if self.working.is_empty() {
            return samples;
        }
        let mut all = Vec::with_capacity(samples.len() * 2);
        for sample in samples {
            all.push(sample);
            all.extend(self.working.iter_mut().filter_map(|derived| derived.sample(&sample)));
        }
        all
    }

    /// A session begins: values of channels rest on its own readings alone.
    pub(super) fn restart(&mut self) {
        self.working.iter_mut().for_each(DerivedChannel::restart);
    }

    /// All of the bench, by their numbers.
    pub(super) fn specs(&self) -> &[(ChannelId, DerivedSpec)] {
        &self.all
    }

    /// The meters of these channels were lost.
    pub(super) fn lost(&mut self, gone: impl Fn(ChannelId) -> bool) {
        self.working.iter_mut().for_each(|derived| derived.lost(&gone));
    }
}

/// It counts as one of the meter of its first channel.
fn of(spec: &DerivedSpec, first: &Channel) -> Channel {
    Channel {
        name: spec.name.clone(),
        meter: first.meter,
        meter_name: first.meter_name.clone(),
        reads: spec.text.clone(),
        // Nothing is switched and no lead is moved for it: as behind a divider.
        conversion: Conversion { quantity: spec.quantity, scale: "1:1".parse().ok(), accuracy: None },
        range: None,
        fuse: None,
    }
}
