//! The bytes of one meter become samples: its engine and the bindings of its channels together.

use std::{
    sync::{
        Arc,
        atomic::{AtomicU16, Ordering},
    },
    time::Duration,
};

use super::{Binding, Channel, ChannelId, ClockFit, Conversion, DeviceClock, MeterId, MeterSpec, Sample};
use crate::{
    clock::Mono,
    protocol::{Action, Counts, Decoded, Engine, Frame, Problem, RequestId},
};

/// After this many frames a value that none of them carried is reported as missing.
const FRAMES_TO_KNOW: u64 = 8;

/// This many gaps are reported one by one; a bad cable makes thousands.
const GAPS_REPORTED: u32 = 5;

/// This many changes of a meter's identity are reported while its port is open; more are no identities.
const IDENTITIES_REPORTED: u32 = 8;

/// Gives out channel numbers, across the meters of one bench.
#[derive(Debug, Clone, Default)]
pub struct ChannelIds(Arc<AtomicU16>);

impl ChannelIds {
    /// The next one that is free.
    pub(crate) fn next(&self) -> ChannelId {
        ChannelId(self.0.fetch_add(1, Ordering::Relaxed))
    }
}

/// What one chunk of bytes brought.
#[derive(Debug, Default)]
pub struct Batch {
    /// In the order in which they were measured.
    pub samples: Vec<Sample>,
    /// Everything else; usually empty.
    pub events: Vec<MeterEvent>,
}

/// Something in the bytes that is not a sample.
#[derive(Debug, Clone, PartialEq)]
pub enum MeterEvent {
    /// A value without a channel in the bench file: it gets one of its own. Precedes its samples.
    Channel(ChannelId, Channel),
    /// A frame that can't be decoded; only the first ones of each kind.
    Problem(Problem),
    /// So many frames were lost on the way, by their sequence numbers; only the first gaps.
    Gap(u64),
    /// Its identity as the meter sent it, where it was not sent since its port was opened.
    Identity(String),
    /// The operator pressed a button on the device, after so many samples of this batch.
    Action(Action, usize),
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
    clock: DeviceClock,
    /// By the engine's index of value names.
    bound: Vec<Option<Binding>>,
    /// Channels whose value has not been met yet.
    waiting: Vec<(WaitingChannel, Binding)>,
    /// Whether values without a channel get one.
    auto: bool,
    missing_reported: bool,
    gaps_reported: u32,
    /// Its identity since its port was opened, and how often it changed.
    identity: String,
    identities_reported: u32,
    ids: ChannelIds,
    last: Mono,
    /// When the last bytes arrived; none before any did.
    arrived: Option<Mono>,
    /// Nothing had come since then at this time; none where nobody looked.
    silent: Option<Mono>,
}

#[derive(Debug)]
struct WaitingChannel {
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
                    conversion: channel.conversion.clone(),
                    range: channel.range,
                    fuse: spec.amps_fuse.clone(),
                },
            ));
            waiting.push((
                WaitingChannel { channel: channel.name.clone(), reads: channel.reads.clone() },
                Binding { channel: number, conversion: channel.conversion.clone() },
            ));
        }
        let meter = Self {
            id,
            name: spec.name.clone(),
            engine: Engine::new(spec.protocol.clone()),
            decoded: Decoded::default(),
            clock: DeviceClock::default(),
            bound: Vec::new(),
            waiting,
            auto: spec.channels.is_empty(),
            missing_reported: false,
            gaps_reported: 0,
            identity: String::new(),
            identities_reported: 0,
            ids: ids.clone(),
            last: Mono(i64::MIN),
            arrived: None,
            silent: None,
        };
        (meter, channels)
    }

    /// What was counted since the start.
    pub fn counts(&self) -> &Counts {
        self.engine.counts()
    }

    /// How well the device's time fits the host's; none for a meter that sends no time.
    pub fn clock_fit(&self) -> Option<ClockFit> {
        self.clock.fit()
    }

    /// A session began: what was reported in another one is news again.
    pub fn reset_reported(&mut self) {
        self.engine.reset_reported();
        self.gaps_reported = 0;
        self.missing_reported = false;
    }

    /// What the next bytes answer, for a meter that is asked.
    pub fn set_request(&mut self, request: Option<RequestId>) {
        self.engine.set_request(request);
    }

    /// The port was looked at, and nothing had come since the last bytes. This alone proves a pause of the device: where two
    /// chunks are far apart the computer may have been busy, and the bytes waited in the port.
    pub fn silent(&mut self, at: Mono) {
        self.silent = Some(at);
    }

    /// Decodes a chunk that arrived at a time; appends to the batch.
    pub fn take(&mut self, bytes: &[u8], arrived: Mono, batch: &mut Batch) {
        self.decoded.clear();
        if let (Some(before), Some(silent)) = (self.arrived.replace(arrived), self.silent.take()) {
            let pause = Duration::from_micros(u64::try_from(silent.since(before)).unwrap_or(0));
            self.engine.paused(pause, &mut self.decoded);
        }
        self.engine.push(bytes, &mut self.decoded);
        self.fill(arrived, batch);
    }

    /// The port went away: what was half received is void.
    pub fn lost(&mut self, at: Mono, batch: &mut Batch) {
        self.decoded.clear();
        self.engine.lost(&mut self.decoded);
        self.fill(at, batch);
        (self.arrived, self.silent) = (None, None);
        self.clock.lost();
        // Another one may be plugged in.
        self.identity.clear();
        self.identities_reported = 0;
    }

    fn fill(&mut self, arrived: Mono, batch: &mut Batch) {
        self.bind_new_names(batch);
        self.report_missing(batch);
        batch.events.extend(self.decoded.problems.drain(..).map(MeterEvent::Problem));
        self.report_gaps(batch);
        self.report_identity(batch);
        batch.samples.reserve(self.decoded.readings.len());
        let (mut begin, mut placed) = (0, 0);
        for (index, frame) in self.decoded.frames.iter().enumerate() {
            if index == placed {
                let (run, newest) = run_of_stamps(&self.decoded.frames[index..]);
                placed = index + run;
                if let Some(newest) = newest {
                    self.clock.observe(newest, arrived);
                }
            }
            let at = frame.device_time.map_or(arrived, |stamp| self.clock.measured(stamp, arrived));
            let at = Mono(at.0 - (frame.age * 1e6) as i64);
            // Never backwards: what came later was measured later.
            self.last = self.last.max(at);
            for reading in &self.decoded.readings[begin..frame.readings_end] {
                if let Some(Some(binding)) = self.bound.get(usize::from(reading.name)) {
                    batch.samples.push(binding.sample(reading, self.last));
                }
            }
            begin = frame.readings_end;
            let samples = batch.samples.len();
            batch.events.extend(frame.action.map(|action| MeterEvent::Action(action, samples)));
        }
    }

    /// The first gaps are reported one by one, all are counted.
    fn report_gaps(&mut self, batch: &mut Batch) {
        for gap in &self.decoded.gaps {
            if self.gaps_reported < GAPS_REPORTED {
                self.gaps_reported += 1;
                batch.events.push(MeterEvent::Gap(gap.lost));
            }
        }
    }

    fn report_identity(&mut self, batch: &mut Batch) {
        let Some(text) = self.decoded.identities.last().filter(|text| *text != self.identity) else { return };
        if self.identities_reported < IDENTITIES_REPORTED {
            self.identities_reported += 1;
            text.clone_into(&mut self.identity);
            batch.events.push(MeterEvent::Identity(self.identity.clone()));
        }
    }

    fn bind_new_names(&mut self, batch: &mut Batch) {
        while let Some(name) = self.engine.names().get(self.bound.len()) {
            let declared = self.waiting.iter().position(|(wanted, _)| wanted.reads == *name);
            let binding = match declared {
                Some(index) => Some(self.waiting.swap_remove(index).1),
                None if self.auto => {
                    let number = self.ids.next();
                    batch.events.push(MeterEvent::Channel(number, self.default_channel(name)));
                    Some(Binding { channel: number, conversion: Conversion::NONE })
                }
                None => None,
            };
            self.bound.push(binding);
        }
    }

    /// A channel for a value that the bench file does not name.
    fn default_channel(&self, reads: &str) -> Channel {
        let name = default_channel_name(&self.name, reads);
        Channel {
            name,
            meter: self.id,
            meter_name: self.name.clone(),
            reads: reads.to_owned(),
            conversion: Conversion::NONE,
            range: None,
            fuse: None,
        }
    }

    fn report_missing(&mut self, batch: &mut Batch) {
        if self.missing_reported || self.waiting.is_empty() || self.engine.counts().frames < FRAMES_TO_KNOW {
            return;
        }
        self.missing_reported = true;
        let carried = self.engine.names().to_vec();
        batch.events.extend(self.waiting.iter().map(|(wanted, _)| MeterEvent::Missing {
            channel: wanted.channel.clone(),
            reads: wanted.reads.clone(),
            carried: carried.clone(),
        }));
    }
}

/// The name of a channel that the bench file does not name.
pub(crate) fn default_channel_name(meter: &str, reads: &str) -> String {
    // A meter with one value needs no second word.
    if reads == "value" { meter.to_owned() } else { format!("{meter} {reads}") }
}

/// How many frames there are before the device's time steps back, and the newest stamp of those.
fn run_of_stamps(frames: &[Frame]) -> (usize, Option<f64>) {
    let mut newest = None;
    for (index, frame) in frames.iter().enumerate() {
        match (newest, frame.device_time) {
            (Some(before), Some(now)) if now < before => return (index, newest),
            (_, Some(now)) => newest = Some(now),
            (_, None) => {}
        }
    }
    (frames.len(), newest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        port::{Address, Settings},
        protocol::{Library, Protocol},
    };

    fn meter(protocol: &str) -> Meter {
        with(Library::new(Vec::new()).find(protocol).unwrap())
    }

    fn with(protocol: Arc<Protocol>) -> Meter {
        let spec = MeterSpec {
            name: "board".to_owned(),
            address: Address::Serial("/dev/ttyUSB0".into()),
            settings: Settings::default(),
            protocol,
            amps_fuse: None,
            rate: None,
            channels: Vec::new(),
            origin: crate::channel::MeterOrigin::BenchFile,
        };
        Meter::new(MeterId(0), &spec, &ChannelIds::default()).0
    }

    fn times(meter: &mut Meter, bytes: &str, arrived: i64) -> Vec<i64> {
        let mut batch = Batch::default();
        meter.take(bytes.as_bytes(), Mono(arrived), &mut batch);
        // To 10 µs: the fit moves by a few.
        batch.samples.iter().map(|sample| (sample.at.0 + 5) / 10 * 10).collect()
    }

    /// Seen on a busy computer: a line of which the second half waited in the port, while the reader did not run, was refused.
    #[test]
    fn only_a_port_that_was_seen_empty_proves_a_pause_inside_a_line() {
        for (looked, samples) in [(None, 1), (Some(10), 1), (Some(300_000), 0)] {
            let (mut meter, mut batch) = (meter("number"), Batch::default());
            meter.take(b"12.4", Mono(0), &mut batch);
            if let Some(looked) = looked {
                meter.silent(Mono(looked));
            }
            meter.take(b"1 V\r\n", Mono(1_000_000), &mut batch);
            assert_eq!(batch.samples.len(), samples, "looked at {looked:?}");
        }
    }

    #[test]
    fn frames_of_one_chunk_stand_apart_as_the_device_says() {
        let mut board = meter("columns-ms");
        assert_eq!(times(&mut board, "1000,1.5\n1010,1.6\n1020,1.7\n", 5_000_000), [4_980_000, 4_990_000, 5_000_000]);
        // Half a second late, but measured when the device says.
        assert_eq!(times(&mut board, "1030,1.8\n", 5_510_000), [5_010_000]);
        assert_eq!(board.clock_fit().map(|fit| fit.resets), Some(0));
    }

    #[test]
    fn time_never_goes_back_when_a_device_restarts() {
        let mut board = meter("columns-ms");
        times(&mut board, "9000,1\n", 1_000_000);
        let at = times(&mut board, "9100,1\n0,1\n100,1\n", 1_200_000);
        assert_eq!(at, [1_100_000, 1_200_000, 1_200_000]);
        assert_eq!(times(&mut board, "200,1\n300,1\n", 1_400_000), [1_300_000, 1_400_000]);
        assert_eq!(board.clock_fit().map(|fit| fit.resets), Some(1));
    }

    #[test]
    fn a_name_is_reported_when_it_changes_and_not_for_ever() {
        let text = "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"line\"\n[decode]\nkind = \"pattern\"\n\
            [[decode.message]]\npattern = '^(?<itself>.*)$'\nidentity = \"itself\"\n";
        let mut board = with(Arc::new(Protocol::parse("p.toml", text).unwrap()));
        let reported = |board: &mut Meter, bytes: &str| {
            let mut batch = Batch::default();
            board.take(bytes.as_bytes(), Mono(0), &mut batch);
            batch.events
        };
        assert_eq!(reported(&mut board, "Bench 6\n"), [MeterEvent::Identity("Bench 6".to_owned())]);
        assert_eq!(reported(&mut board, "Bench 6\n"), []);
        let count = (0..100).map(|number| reported(&mut board, &format!("Bench {number}\n")).len()).sum::<usize>();
        assert_eq!(count + 1, IDENTITIES_REPORTED as usize);
        board.lost(Mono(0), &mut Batch::default());
        assert_eq!(reported(&mut board, "Bench 6\n"), [MeterEvent::Identity("Bench 6".to_owned())]);
    }

    #[test]
    fn a_meter_without_a_clock_is_stamped_on_arrival() {
        let mut probe = meter("number");
        assert_eq!(times(&mut probe, "1\n2\n", 70), [70, 70]);
        assert_eq!(probe.clock_fit(), None);
    }
}
