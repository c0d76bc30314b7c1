//! Finds the protocols that fit what a port sends.

use std::{io, sync::Arc, time::Duration};

use crate::{
    clock::Mono,
    io_reason::IoReason,
    port::{Address, Conversation, LONGEST_READ_WAIT, Port, Settings, converse},
    protocol::{PollAction, Poller, Protocol, ProtocolMatch, RecordedChunk, Traffic, escape, rank, too_few},
};

/// Speeds that meters and boards are set to, the usual ones first: common practice, no source.
const SPEEDS: [u32; 9] = [115_200, 9600, 2400, 19_200, 4800, 38_400, 57_600, 1200, 250_000];

/// Bytes that are kept for each setting; more add no certainty.
const MOST_BYTES: usize = 64 * 1024;

/// A meter that sent something, but too little, is listened to this many times as long: some report every few seconds.
const LONGER: u32 = 8;

/// What came is quoted up to here, bytes.
const QUOTED: usize = 48;

/// A port that can't be listened to.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SearchError {
    /// It is not there, or another program has it.
    #[error("{address} can't be opened: {}; look at `bayline ports`", IoReason(.source))]
    Port {
        /// Which one.
        address: String,
        /// Why.
        source: io::Error,
    },
    /// Its program can't be started, or did not go on.
    #[error(
        "nothing can be read from {address}: {}; run that command in a terminal: it must go on and print what the meter says",
        IoReason(.source)
    )]
    Program {
        /// The command.
        address: String,
        /// Why.
        source: io::Error,
    },
}

impl SearchError {
    fn new(address: &Address, source: io::Error) -> Self {
        match address {
            Address::Exec { .. } => Self::Program { address: address.to_string(), source },
            _ => Self::Port { address: address.to_string(), source },
        }
    }
}

/// A protocol that fits, and the settings of the port that it fitted at.
#[derive(Debug)]
pub(crate) struct PortCandidate {
    /// The settings.
    pub settings: Settings,
    /// The protocol, and what it made of what came.
    pub candidate: ProtocolMatch,
}

/// Why no protocol was found, and what to do: silence differs from bytes that fit no protocol.
pub(crate) fn why_no_protocol(port: &Address, received: &Received) -> String {
    match received.bytes {
        0 => format!(
            "nothing came from {port}; check that the meter is on and its output is switched on; meters that only answer questions need --poll"
        ),
        bytes => format!(
            "{bytes} bytes came from {port}, such as \"{}\", but no protocol fits them; record them with `bayline capture {port} -o FILE` and \
             write a protocol as protocols/README.md explains",
            received.sample
        ),
    }
}

/// What came, of whatever protocol.
#[derive(Debug, Default)]
pub(crate) struct Received {
    bytes: usize,
    /// The beginning of it, readable.
    sample: String,
}

impl Received {
    fn add(&mut self, recorder: &TrafficRecorder) {
        self.bytes += recorder.bytes;
        if self.sample.is_empty() {
            let bytes: Vec<u8> = recorder.heard.iter().flat_map(|chunk| &chunk.bytes).copied().take(QUOTED).collect();
            self.sample = escape(&bytes);
        }
    }
}

/// A search for the protocols that fit what a port sends.
pub(crate) struct ProtocolSearch<'a> {
    /// The port.
    pub address: &'a Address,
    /// Listen at this speed only.
    pub baud: Option<u32>,
    /// How a HID cable is read; none for other ports.
    pub cable: Option<Settings>,
    /// How long to listen at each speed.
    pub length: Duration,
    /// Whether the questions of protocols that ask are sent.
    pub ask: bool,
    /// Is called where listening takes longer: with why, and the seconds that it takes at most.
    pub waiting: fn(&str, u64),
}

impl ProtocolSearch<'_> {
    /// The candidates at all settings, the best first, and how many bytes came.
    ///
    /// # Errors
    /// The port can't be opened.
    pub(crate) fn run(&self, protocols: &[Arc<Protocol>]) -> Result<(Vec<PortCandidate>, Received), SearchError> {
        let streaming: Vec<_> =
            protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Streaming).cloned().collect();
        let mut found: Vec<PortCandidate> = Vec::new();
        let mut received = Received::default();
        let all = self.settings(&streaming);
        for (index, settings) in all.iter().enumerate() {
            let mut recorder = TrafficRecorder {
                waits_for: streaming.clone(),
                longest: self.length * LONGER,
                ..TrafficRecorder::new(self.waiting)
            };
            // Where nothing came at any setting, a slow meter may still be about to send.
            recorder.waits_in_silence = received.bytes == 0 && index + 1 == all.len();
            self.listen_with(settings, &mut recorder)?;
            received.add(&recorder);
            let ranked = rank(&streaming, &recorder.heard);
            let clear = ranked.first().is_some_and(ProtocolMatch::is_clear);
            found.extend(ranked.into_iter().map(|candidate| {
                // On a line without a speed of its own, the protocol's speed is the better one to write down.
                let settings = if clear && self.cable.is_none() {
                    candidate.protocol.settings(settings.clone())
                } else {
                    settings.clone()
                };
                PortCandidate { settings, candidate }
            }));
            if clear {
                break;
            }
        }
        if self.ask && !found.first().is_some_and(|best| best.candidate.is_clear()) {
            found.extend(self.ask_all(protocols, &mut received)?);
        }
        // Stable: of candidates that explain as much, the order of `rank` stays.
        found.sort_by_key(|found| std::cmp::Reverse((found.candidate.share * 33.0).round() as i64));
        Ok((found, received))
    }

    /// The settings to try in turn: the usual speeds, then those of the protocols.
    fn settings(&self, protocols: &[Arc<Protocol>]) -> Vec<Settings> {
        if let Some(cable) = &self.cable {
            return vec![cable.clone()];
        }
        let speeds = self.baud.map_or(SPEEDS.to_vec(), |baud| vec![baud]);
        let plain = speeds.iter().map(|&baud| Settings { baud, ..Settings::default() });
        let mut all: Vec<Settings> = Vec::new();
        let asked_for = protocols.iter().map(|protocol| protocol.serial.over(Settings::default()));
        let asked_for = asked_for.filter(|settings| self.baud.is_none_or(|baud| baud == settings.baud));
        for settings in plain.chain(asked_for) {
            if !all.contains(&settings) {
                all.push(settings);
            }
        }
        // Only a serial line has a speed.
        if !matches!(self.address, Address::Serial(_)) {
            all.truncate(1);
        }
        all
    }

    fn listen_with(&self, settings: &Settings, recorder: &mut TrafficRecorder) -> Result<(), SearchError> {
        tracing::debug!("listening to {} at {settings}", self.address);
        match converse(self.address, settings, self.length, recorder) {
            // What a program printed before it ended may tell enough.
            Err(error) if matches!(self.address, Address::Exec { .. }) && recorder.bytes > 0 => {
                tracing::warn!("{}", IoReason(&error));
                Ok(())
            }
            other => other,
        }
        .map_err(|source| SearchError::new(self.address, source))
    }

    fn ask_all(&self, protocols: &[Arc<Protocol>], received: &mut Received) -> Result<Vec<PortCandidate>, SearchError> {
        let mut found = Vec::new();
        for protocol in protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Polled) {
            let plain = || Settings { baud: self.baud.unwrap_or(9600), ..Settings::default() };
            let settings = self.cable.clone().unwrap_or_else(|| protocol.settings(plain()));
            let mut recorder = TrafficRecorder {
                poller: Poller::new(protocol, Mono(0)),
                waits_for: vec![protocol.clone()],
                longest: self.length * LONGER,
                ..TrafficRecorder::new(self.waiting)
            };
            self.listen_with(&settings, &mut recorder)?;
            received.add(&recorder);
            let ranked = rank(std::slice::from_ref(protocol), &recorder.heard);
            found.extend(ranked.into_iter().map(|candidate| PortCandidate { settings: settings.clone(), candidate }));
        }
        Ok(found)
    }
}

/// Keeps the bytes that arrive, and sends questions where there is a poller.
struct TrafficRecorder {
    heard: Vec<RecordedChunk>,
    bytes: usize,
    poller: Option<Poller>,
    /// Where one of these explains what came, and too little came to be sure, listening goes on.
    waits_for: Vec<Arc<Protocol>>,
    /// How much longer at most.
    longest: Duration,
    waits_in_silence: bool,
    waiting: fn(&str, u64),
    /// What the operator was told last.
    reported: String,
}

impl TrafficRecorder {
    fn new(waiting: fn(&str, u64)) -> Self {
        Self {
            heard: Vec::new(),
            bytes: 0,
            poller: None,
            waits_for: Vec::new(),
            longest: Duration::ZERO,
            waits_in_silence: false,
            waiting,
            reported: String::new(),
        }
    }
}

impl Conversation for TrafficRecorder {
    fn send_due(&mut self, port: &mut dyn Port, now: Mono) -> io::Result<Duration> {
        let Some(poller) = &mut self.poller else { return Ok(LONGEST_READ_WAIT) };
        loop {
            match poller.next_action(now) {
                PollAction::Send(bytes) => port.write_all(bytes, LONGEST_READ_WAIT)?,
                PollAction::Wait(until) => return Ok(Duration::from_micros(until.since(now).max(0).unsigned_abs())),
            }
        }
    }

    fn received(&mut self, at: Mono, bytes: &[u8]) {
        let request = self.poller.as_ref().and_then(Poller::request);
        if let Some(poller) = &mut self.poller {
            poller.received(bytes, at);
        }
        if self.bytes < MOST_BYTES {
            self.bytes += bytes.len();
            self.heard.push(RecordedChunk { at, bytes: bytes.to_vec(), request });
        }
    }

    fn wants_more(&mut self) -> Option<Duration> {
        const STEP: Duration = Duration::from_millis(500);
        self.longest = self.longest.checked_sub(STEP)?;
        let reports = too_few(&self.waits_for, &self.heard);
        let why = match reports {
            Some(1) => "one report so far".to_owned(),
            Some(reports) => format!("{reports} reports so far"),
            // Bytes without an end, or the cut-off rest of the first report: the next is whole.
            None if self.bytes > 0 && self.bytes < QUOTED => format!("{} bytes so far", self.bytes),
            None if self.bytes == 0 && self.waits_in_silence => "nothing so far".to_owned(),
            None => return None,
        };
        if self.reported != why {
            (self.waiting)(&why, self.longest.as_secs() + 1);
            self.reported = why;
        }
        Some(STEP)
    }
}
