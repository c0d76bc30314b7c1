//! What the daemon has observed of its bench, for checking whether it suits a procedure.
//!
//! It measures how often each meter reports, and passes the facts to the fitness check.

use crate::{
    channel::{Bench, MeterId},
    clock::Mono,
    fitness::{self, BenchFacts, ChannelFacts, FitnessIssue, Severity},
    procedure::Procedure,
    session::Core,
    units::Measure,
};

/// A report rate is measured over at least this time, µs.
const OVER_US: i64 = 2_000_000;

/// A report rate is measured over at least this number of frames: fewer would be chance.
const FRAMES: u64 = 4;

/// After a longer silence the meter was switched off, and the measurement begins anew, µs.
const SILENCE_US: i64 = 10_000_000;

/// The bench file's facts, and what was observed since.
#[derive(Debug)]
pub(super) struct ObservedBench {
    declared: BenchFacts,
    /// By meter.
    paces: Vec<(String, ReportRate)>,
}

/// How often a meter reports.
#[derive(Debug, Clone, Copy, Default)]
struct ReportRate {
    /// When the measurement began, and the frame count then.
    since: Option<(Mono, u64)>,
    last: Option<Mono>,
    /// In Hz; none before it is known.
    rate: Option<f64>,
}

impl ObservedBench {
    pub(super) fn new(bench: &Bench) -> Self {
        Self {
            declared: BenchFacts::of(bench),
            paces: bench.meters.iter().map(|meter| (meter.name.clone(), ReportRate::default())).collect(),
        }
    }

    /// A meter reported; `frames` is its count since the daemon started.
    pub(super) fn report(&mut self, meter: MeterId, at: Mono, frames: u64) {
        if let Some((_, pace)) = self.paces.get_mut(usize::from(meter.0)) {
            pace.report(at, frames);
        }
    }

    /// What the bench does not suit in a procedure, without the notes, which `check` shows.
    pub(super) fn issues(&self, procedure: &Procedure, core: &Core) -> Vec<FitnessIssue> {
        let mut found = fitness::check(procedure, &self.facts(core));
        found.retain(|issue| issue.severity != Severity::Note);
        found
    }

    fn facts(&self, core: &Core) -> BenchFacts {
        let mut facts = self.declared.clone();
        for channel in core.channels() {
            if !facts.channels.iter().any(|known| known.name == channel.name) {
                facts.channels.push(ChannelFacts::unknown(&channel.name, &channel.meter_name));
            }
        }
        for known in &mut facts.channels {
            let pace = self.paces.iter().find(|(meter, _)| *meter == known.meter);
            known.rate = pace.and_then(|(_, pace)| pace.rate).or(known.rate);
        }
        for (channel, latest) in core.latest() {
            let sample = &latest.sample;
            let known = facts.channels.iter_mut().find(|known| known.name == channel.name);
            // A meter whose function is switched changes its range by itself: its digit now may differ from that at the limit.
            if let Some(known) = known.filter(|known| known.digit.is_none() && known.quantity == Some(sample.quantity))
            {
                known.digit = sample.digit.map(|value| Measure { value, dimension: sample.quantity.dimension() });
            }
        }
        facts
    }
}

impl ReportRate {
    fn report(&mut self, at: Mono, frames: u64) {
        let silent = self.last.is_none_or(|last| at.since(last) > SILENCE_US);
        self.last = Some(at);
        let Some((since, before)) = self.since.filter(|_| !silent) else {
            self.since = Some((at, frames));
            return;
        };
        let (took, came) = (at.since(since), frames.saturating_sub(before));
        if took >= OVER_US && came >= FRAMES {
            self.rate = Some(came as f64 * 1e6 / took as f64);
            self.since = Some((at, frames));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        channel::{Binding, Channel, ChannelId, Conversion},
        protocol::{Annunciators, Library, Value},
        session::CoreEvent,
        units::Quantity,
    };

    #[test]
    fn a_pace_is_known_after_a_while_and_not_measured_across_silence() {
        let mut pace = ReportRate::default();
        for index in 0..6 {
            pace.report(Mono(index * 333_333), index as u64);
        }
        assert_eq!(pace.rate, None);
        for index in 6..12 {
            pace.report(Mono(index * 333_333), index as u64);
        }
        let rate = pace.rate.unwrap();
        assert!((rate - 3.0).abs() < 0.01, "{rate}");
        for index in 0..8 {
            pace.report(Mono(60_000_000 + index * 333_333), 12 + index as u64);
        }
        assert!((pace.rate.unwrap() - 3.0).abs() < 0.01, "{pace:?}");
    }

    const BENCH: &str = "[[meter]]\nname = \"board\"\nport = \"/dev/ttyUSB0\"\nprotocol = \"columns\"\n\
                         [[meter.channel]]\nname = \"ground\"\nreads = \"v1\"\nquantity = \"V DC\"\n";
    const PROCEDURE: &str = "title = \"t\"\n[[step]]\nname = \"ground\"\nchannel = \"ground\"\nquantity = \"V DC\"\n\
                             at_most = \"100 mV\"\ncapture = \"steady\"\ncontact = \"fixed\"\n";

    #[test]
    fn readings_show_what_the_file_does_not() {
        let file = Bench::parse("b.toml", BENCH, &Library::new(Vec::new())).unwrap();
        let procedure = Procedure::parse("p.toml", PROCEDURE).unwrap();
        let (mut bench, mut core) = (ObservedBench::new(&file), Core::new(["board".to_owned()]));
        assert_eq!(bench.issues(&procedure, &core), []);

        // One reading every two seconds, in steps of 0.1 V.
        let (id, mut effects) = (ChannelId(0), Vec::new());
        let (_, channels) = crate::channel::Meter::new(MeterId(0), &file.meters[0], &Default::default());
        let (_, channel): (ChannelId, Channel) = channels.into_iter().next().unwrap();
        core.handle(Mono(0), CoreEvent::Channel(id, channel), &mut effects);
        let binding =
            Binding { channel: id, conversion: Conversion { quantity: Some(Quantity::VoltsDc), ..Conversion::NONE } };
        for index in 0..6 {
            let at = Mono(index * 2_000_000);
            bench.report(MeterId(0), at, index as u64);
            let reading = crate::protocol::Reading {
                name: 0,
                function: crate::protocol::Function::Unknown,
                value: Value::Number(0.1),
                decade: Some(-1),
                annunciators: Annunciators::empty(),
            };
            core.handle(at, CoreEvent::Samples(vec![binding.sample(&reading, at)]), &mut effects);
        }
        let issues = bench.issues(&procedure, &core);
        let words: Vec<String> = issues.iter().map(FitnessIssue::to_string).collect();
        assert!(words.iter().any(|words| words.contains("sends 0.5 readings a second")), "{words:?}");
        assert!(words.iter().any(|words| words.contains("shows steps of 100 mV")), "{words:?}");
    }
}
