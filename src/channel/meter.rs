//! The bytes of one meter become samples: its engine and the bindings of its channels together.

use std::sync::{
    Arc,
    atomic::{AtomicU16, Ordering},
};

use super::{Binding, Channel, ChannelId, Feed, MeterId, MeterSpec, Sample};
use crate::{
    clock::Mono,
    protocol::{Counts, Decoded, Engine, Frame, Problem},
};

/// After so many frames a value that none of them carried is told to be missing.
const FRAMES_TO_KNOW: u64 = 8;

/// Gives out channel numbers, across the meters of one bench.
#[derive(Debug, Clone, Default)]
pub struct ChannelIds(Arc<AtomicU16>);

impl ChannelIds {
    fn next(&self) -> ChannelId {
        ChannelId(self.0.fetch_add(1, Ordering::Relaxed))
    }
}

/// What one chunk of bytes brought.
#[derive(Debug, Default)]
pub struct Batch {
    /// In the order in which they were measured.
    pub samples: Vec<Sample>,
    /// What else there is to tell; empty but for rare moments.
    pub found: Vec<Found>,
}

/// Something met in the bytes that is not a sample.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// A value without a channel in the bench file: it gets one of its own. Precedes its samples.
    Channel(ChannelId, Channel),
    /// A frame that can't be decoded; only the first ones of each kind.
    Problem(Problem),
    /// A channel reads a value that no frame carries.
    Missing {
        /// The channel's name.
        channel: String,
        /// What it wants to read.
        reads: String,
        /// What the frames carry.
        carried: Vec<String>,
    },
}

/// One meter: bytes in, samples out; no I/O and no clock.
#[derive(Debug)]
pub struct Meter {
    id: MeterId,
    name: String,
    engine: Engine,
    decoded: Decoded,
    /// By the engine's index of value names.
    bound: Vec<Option<Binding>>,
    /// Channels whose value has not been met yet.
    waiting: Vec<(ChannelSpecName, Binding)>,
    /// Whether values without a channel get one.
    auto: bool,
    missing_told: bool,
    ids: ChannelIds,
    last: Mono,
}

#[derive(Debug)]
struct ChannelSpecName {
    channel: String,
    reads: String,
}

impl Meter {
    /// A meter as the bench file has it, with the channels that are known from the start.
    pub fn new(id: MeterId, spec: &MeterSpec, ids: &ChannelIds) -> (Self, Vec<(ChannelId, Channel)>) {
        let mut channels = Vec::new();
        let mut waiting = Vec::new();
        for channel in &spec.channels {
            let number = ids.next();
            channels.push((
                number,
                Channel {
                    name: channel.name.clone(),
                    meter: id,
                    meter_name: spec.name.clone(),
                    reads: channel.reads.clone(),
                    scale: channel.scale.clone(),
                    accuracy: channel.accuracy.clone(),
                    fuse: spec.amps_fuse.clone(),
                },
            ));
            waiting.push((
                ChannelSpecName { channel: channel.name.clone(), reads: channel.reads.clone() },
                Binding { channel: number, feed: channel.feed.clone() },
            ));
        }
        let meter = Self {
            id,
            name: spec.name.clone(),
            engine: Engine::new(spec.protocol.clone()),
            decoded: Decoded::default(),
            bound: Vec::new(),
            waiting,
            auto: spec.channels.is_empty(),
            missing_told: false,
            ids: ids.clone(),
            last: Mono(i64::MIN),
        };
        (meter, channels)
    }

    /// What was counted since the start.
    pub fn counts(&self) -> &Counts {
        self.engine.counts()
    }

    /// Decodes a chunk that arrived at a time; appends to the batch.
    pub fn take(&mut self, bytes: &[u8], arrived: Mono, batch: &mut Batch) {
        self.decoded.clear();
        self.engine.push(bytes, &mut self.decoded);
        self.fill(arrived, batch);
    }

    /// The port went away: what was half received is void.
    pub fn lost(&mut self, at: Mono, batch: &mut Batch) {
        self.decoded.clear();
        self.engine.lost(&mut self.decoded);
        self.fill(at, batch);
    }

    fn fill(&mut self, arrived: Mono, batch: &mut Batch) {
        self.bind_new_names(batch);
        self.tell_missing(batch);
        batch.found.extend(self.decoded.problems.drain(..).map(Found::Problem));
        batch.samples.reserve(self.decoded.readings.len());
        let newest = self.decoded.frames.last().and_then(|frame| frame.device_time);
        let mut begin = 0;
        for frame in &self.decoded.frames {
            // Never backwards: what came later was measured later.
            self.last = self.last.max(measured(frame, newest, arrived));
            for reading in &self.decoded.readings[begin..frame.readings_end] {
                if let Some(Some(binding)) = self.bound.get(usize::from(reading.name)) {
                    batch.samples.push(binding.sample(reading, self.last));
                }
            }
            begin = frame.readings_end;
        }
    }

    fn bind_new_names(&mut self, batch: &mut Batch) {
        while let Some(name) = self.engine.names().get(self.bound.len()) {
            let declared = self.waiting.iter().position(|(wanted, _)| wanted.reads == *name);
            let binding = match declared {
                Some(index) => Some(self.waiting.swap_remove(index).1),
                None if self.auto => {
                    let number = self.ids.next();
                    batch.found.push(Found::Channel(number, self.own_channel(name)));
                    Some(Binding { channel: number, feed: Feed::PLAIN })
                }
                None => None,
            };
            self.bound.push(binding);
        }
    }

    /// A channel for a value that the bench file does not name.
    fn own_channel(&self, reads: &str) -> Channel {
        let name = own_name(&self.name, reads);
        Channel {
            name,
            meter: self.id,
            meter_name: self.name.clone(),
            reads: reads.to_owned(),
            scale: String::new(),
            accuracy: String::new(),
            fuse: String::new(),
        }
    }

    fn tell_missing(&mut self, batch: &mut Batch) {
        if self.missing_told || self.waiting.is_empty() || self.engine.counts().frames < FRAMES_TO_KNOW {
            return;
        }
        self.missing_told = true;
        let carried = self.engine.names().to_vec();
        batch.found.extend(self.waiting.iter().map(|(wanted, _)| Found::Missing {
            channel: wanted.channel.clone(),
            reads: wanted.reads.clone(),
            carried: carried.clone(),
        }));
    }
}

/// What a channel is called whose value the bench file does not name.
pub fn own_name(meter: &str, reads: &str) -> String {
    // A meter with one value needs no second word.
    if reads == "value" { meter.to_owned() } else { format!("{meter} {reads}") }
}

/// When a frame was measured: frames of one chunk share its arrival, and where the device stamps
/// them, the newest arrived just now and the others as much earlier as the device says.
fn measured(frame: &Frame, newest: Option<f64>, arrived: Mono) -> Mono {
    /// A chunk that spans more than this comes from a clock that was set.
    const LONGEST_CHUNK_S: f64 = 2.0;
    match (frame.device_time, newest) {
        (Some(time), Some(newest)) if (0.0..LONGEST_CHUNK_S).contains(&(newest - time)) => {
            Mono(arrived.0 - ((newest - time) * 1e6) as i64)
        }
        _ => arrived,
    }
}
