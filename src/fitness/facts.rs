//! The known facts of a bench's channels.

use crate::{
    channel::{Bench, DerivedSpec, MeterSpec, Operation, default_channel_name},
    units::{DataSheet, Measure, Quantity},
};

/// What a bench can show.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchFacts {
    /// The channels known so far.
    pub channels: Vec<ChannelFacts>,
    /// Whether these are all.
    pub names: ChannelList,
}

/// Whether a bench's channels are all known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChannelList {
    /// There are no others.
    Complete,
    /// A meter names its channels itself, in its first readings.
    Incomplete,
}

/// What one channel can show.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFacts {
    /// Unique on the bench.
    pub name: String,
    /// The meter that feeds it.
    pub meter: String,
    /// What it shows; none for a meter whose function the operator switches.
    pub quantity: Option<Quantity>,
    /// As on the data sheet, in circuit terms; none where not known.
    pub accuracy: Option<DataSheet>,
    /// Relative tolerance of what is connected before the meter; zero where not given.
    pub scale_tolerance: f64,
    /// What the last digit is worth; none where not known.
    pub digit: Option<Measure>,
    /// Its range, either sign; none where not given.
    pub range: Option<Measure>,
    /// The fuse of the jack that the current goes through, A; none behind a clamp or where not known.
    pub fuse: Option<f64>,
    /// How often it reports, Hz; none where not known.
    pub rate: Option<f64>,
    /// The channels that it is worked out from, whose accuracy is its own; empty where it is measured.
    pub worked_out_of: Vec<String>,
}

impl BenchFacts {
    /// What the bench file has.
    pub fn of(bench: &Bench) -> Self {
        let mut facts = Self { channels: Vec::new(), names: ChannelList::Complete };
        for meter in &bench.meters {
            facts.add(meter);
        }
        for derived in &bench.derived {
            facts.add_derived(derived);
        }
        facts
    }

    fn add(&mut self, meter: &MeterSpec) {
        let declared = meter.channels.iter().map(|channel| ChannelFacts {
            name: channel.name.clone(),
            meter: meter.name.clone(),
            quantity: channel.conversion.shows(),
            accuracy: channel.conversion.accuracy.as_ref().map(|sheet| sheet.value.clone()),
            scale_tolerance: channel.conversion.scale().tolerance,
            digit: channel.digit,
            range: channel.range,
            // Behind a clamp no current flows through the fuse.
            fuse: meter.amps_fuse.as_ref().map(|fuse| fuse.value.value).filter(|_| channel.conversion.scale.is_none()),
            rate: meter.rate,
            worked_out_of: Vec::new(),
        });
        self.channels.extend(declared);
        if meter.channels.is_empty() {
            match meter.protocol.value_names() {
                Some(names) => {
                    let own = names
                        .iter()
                        .map(|reads| ChannelFacts::unknown(&default_channel_name(&meter.name, reads), &meter.name));
                    self.channels.extend(own);
                }
                None => self.names = ChannelList::Incomplete,
            }
        }
    }

    /// It reports as often as the slower of its two, and is as coarse as the coarser where they are added up.
    fn add_derived(&mut self, derived: &DerivedSpec) {
        let of: Vec<&ChannelFacts> = derived.of.iter().filter_map(|name| self.channel(name)).collect();
        let meter = of.first().map_or(String::new(), |first| first.meter.clone());
        let rate = of.iter().map(|facts| facts.rate).collect::<Option<Vec<f64>>>();
        let is_sum = matches!(derived.operation, Operation::Minus | Operation::Plus);
        let digit =
            of.iter().filter_map(|facts| facts.digit).filter(|_| is_sum).max_by(|a, b| a.value.total_cmp(&b.value));
        let facts = ChannelFacts {
            quantity: derived.quantity,
            rate: rate.and_then(|rates| rates.into_iter().reduce(f64::min)),
            digit,
            worked_out_of: derived.of.to_vec(),
            ..ChannelFacts::unknown(&derived.name, &meter)
        };
        self.channels.push(facts);
    }

    pub(super) fn channel(&self, name: &str) -> Option<&ChannelFacts> {
        self.channels.iter().find(|channel| channel.name == name)
    }
}

impl ChannelFacts {
    /// A channel of which only the name is known.
    pub fn unknown(name: &str, meter: &str) -> Self {
        Self {
            name: name.to_owned(),
            meter: meter.to_owned(),
            quantity: None,
            accuracy: None,
            scale_tolerance: 0.0,
            digit: None,
            range: None,
            fuse: None,
            rate: None,
            worked_out_of: Vec::new(),
        }
    }
}
