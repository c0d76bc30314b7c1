//! `bayline identify`: finds the protocols that fit what a port sends.

use std::{
    fs::{self, OpenOptions},
    io::{self, IsTerminal, Write, stderr, stdout},
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    time::Duration,
};

use clap::Args;
use serde_json::json;

use super::{
    CommonArgs,
    capture::{duration, named_cable},
    failure::{Failure, print_error},
    table::table,
};
use crate::{
    channel::{Bench, BenchError},
    clock::Mono,
    harmless::harmless,
    io_reason::IoReason,
    port::{Address, Conversation, LONGEST_READ_WAIT, Port, Settings, converse},
    protocol::{Library, PollAction, Poller, Protocol, ProtocolMatch, RecordedChunk, Traffic, escape, rank, too_few},
};

/// Speeds that meters and boards are set to, the usual ones first: common practice, no source.
const SPEEDS: [u32; 9] = [115_200, 9600, 2400, 19_200, 4800, 38_400, 57_600, 1200, 250_000];

/// Bytes that are kept for each setting; more add no certainty.
const MOST_BYTES: usize = 64 * 1024;

/// A meter that sent something, but too little, is listened to this many times as long: some report every few seconds.
const LONGER: u32 = 8;

/// What came is quoted up to here, bytes.
const QUOTED: usize = 48;

/// Candidates that are listed.
const MOST_CANDIDATES: usize = 8;

/// Find out which protocol fits a meter.
#[derive(Debug, Args)]
pub(super) struct IdentifyArgs {
    /// The port, such as /dev/ttyUSB0
    port: Address,
    /// Also send the questions of every protocol that asks its meter; this can disturb an unknown device
    #[arg(long)]
    poll: bool,
    /// Listen at this speed only, in bits a second
    #[arg(long, value_name = "RATE")]
    baud: Option<u32>,
    /// For a HID cable: a protocol whose "hid" section describes it; its start-up bytes are sent to the cable
    #[arg(long, value_name = "PROTOCOL")]
    cable: Option<String>,
    /// How long to listen at each speed
    #[arg(long = "for", value_name = "TIME", default_value = "1500 ms", value_parser = duration)]
    length: Duration,
    /// Write a bench file with the best protocol, or add the meter to the one that is there
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
}

/// A protocol that fits, and the settings of the port that it fitted at.
pub(super) struct PortCandidate {
    pub settings: Settings,
    pub candidate: ProtocolMatch,
}

impl IdentifyArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let cable = self.cable(common)?;
        let search =
            ProtocolSearch { address: &self.port, baud: self.baud, cable, length: self.length, ask: self.poll };
        let (found, received) = search.run(&all(common)?)?;
        let mut out = stdout().lock();
        if self.json {
            for found in &found {
                writeln!(out, "{}", line(found))?;
            }
        } else if found.is_empty() {
            return Err(Failure::failed(anyhow::anyhow!("{}", nothing(&self.port, &received))));
        } else {
            print_candidates(&mut out, &found)?;
        }
        if let (Some(path), Some(best)) = (&self.write, found.first()) {
            write_bench(path, &common.library(), &self.port, self.cable.as_deref(), best)?;
            writeln!(stderr(), "{} written; now give its channels names and say what they measure", path.display())?;
        }
        Ok(if found.is_empty() { ExitCode::FAILURE } else { ExitCode::SUCCESS })
    }
}

impl IdentifyArgs {
    /// The settings for a HID cable; none for other ports.
    fn cable(&self, common: &CommonArgs) -> Result<Option<Settings>, Failure> {
        match (&self.port, &self.cable) {
            (Address::Hid(_), Some(name)) => named_cable(common, name).map(Some),
            (Address::Hid(_), None) => Err(Failure::usage(format!(
                "listening alone does not show what a HID cable carries; name a protocol whose [hid] section describes this \
                 cable with --cable ({}), or record whole reports with `bayline capture {} -o FILE`",
                common.library().cables().join(", "),
                self.port
            ))),
            (_, Some(_)) => Err(Failure::usage("--cable is for HID cables, such as hid:/dev/hidraw0; leave it out")),
            (_, None) => Ok(None),
        }
    }
}

/// The best candidate, where it is clear; for `run --meter NAME=PORT`.
pub(super) fn identify(address: &Address, common: &CommonArgs) -> Result<PortCandidate, Failure> {
    if matches!(address, Address::Hid(_)) {
        return Err(Failure::usage(format!(
            "listening alone does not show what a HID cable carries; name the protocol, NAME={address},PROTOCOL, one whose \
             [hid] section describes the cable ({})",
            common.library().cables().join(", ")
        )));
    }
    let search = ProtocolSearch { address, baud: None, cable: None, length: Duration::from_millis(1500), ask: false };
    let (found, received) = search.run(&all(common)?)?;
    if found.is_empty() {
        return Err(Failure::failed(anyhow::anyhow!("{}", nothing(address, &received))));
    }
    let best = found.into_iter().next().filter(|best| best.candidate.is_clear());
    best.ok_or_else(|| {
        Failure::failed(anyhow::anyhow!(
            "it is not clear which protocol fits {address}; look at `bayline identify {address}` and name the protocol, NAME={address},PROTOCOL"
        ))
    })
}

fn all(common: &CommonArgs) -> Result<Vec<Arc<Protocol>>, Failure> {
    let library = common.library();
    let (listed, broken) = library.all();
    for error in broken {
        tracing::warn!("{error}");
    }
    Ok(listed.iter().map(|listed| library.find(&listed.name)).collect::<Result<_, _>>()?)
}

/// Why no protocol was found, and what to do: silence differs from bytes that fit no protocol.
fn nothing(port: &Address, received: &Received) -> String {
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
#[derive(Default)]
struct Received {
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

struct ProtocolSearch<'a> {
    address: &'a Address,
    baud: Option<u32>,
    /// How a HID cable is read; none for other ports.
    cable: Option<Settings>,
    length: Duration,
    ask: bool,
}

impl ProtocolSearch<'_> {
    /// The candidates at all settings, the best first, and how many bytes came.
    fn run(&self, protocols: &[Arc<Protocol>]) -> Result<(Vec<PortCandidate>, Received), Failure> {
        let streaming: Vec<_> =
            protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Streaming).cloned().collect();
        let mut found: Vec<PortCandidate> = Vec::new();
        let mut received = Received::default();
        let all = self.settings(&streaming);
        for (index, settings) in all.iter().enumerate() {
            let mut recorder = TrafficRecorder {
                waits_for: streaming.clone(),
                longest: self.length * LONGER,
                ..TrafficRecorder::default()
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

    fn listen_with(&self, settings: &Settings, recorder: &mut TrafficRecorder) -> Result<(), Failure> {
        tracing::debug!("listening to {} at {settings}", self.address);
        converse(self.address, settings, self.length, recorder).map_err(|error| {
            Failure::failed(anyhow::anyhow!(
                "{} can't be opened: {}; look at `bayline ports`",
                self.address,
                IoReason(&error)
            ))
        })
    }

    fn ask_all(&self, protocols: &[Arc<Protocol>], received: &mut Received) -> Result<Vec<PortCandidate>, Failure> {
        let mut found = Vec::new();
        for protocol in protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Polled) {
            let plain = || Settings { baud: self.baud.unwrap_or(9600), ..Settings::default() };
            let settings = self.cable.clone().unwrap_or_else(|| protocol.settings(plain()));
            let mut recorder = TrafficRecorder {
                poller: Poller::new(protocol, Mono(0)),
                waits_for: vec![protocol.clone()],
                longest: self.length * LONGER,
                ..TrafficRecorder::default()
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
#[derive(Default)]
struct TrafficRecorder {
    heard: Vec<RecordedChunk>,
    bytes: usize,
    poller: Option<Poller>,
    /// Where one of these explains what came, and too little came to be sure, listening goes on.
    waits_for: Vec<Arc<Protocol>>,
    /// How much longer at most.
    longest: Duration,
    waits_in_silence: bool,
    /// What the operator was told last.
    reported: String,
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
        if self.reported != why && stderr().is_terminal() {
            print_error(format_args!("{why}; listening for more, {} s at most", self.longest.as_secs() + 1));
            self.reported = why;
        }
        Some(STEP)
    }
}

fn print_candidates(out: &mut dyn Write, found: &[PortCandidate]) -> io::Result<()> {
    let rows = found.iter().take(MOST_CANDIDATES).map(|PortCandidate { settings, candidate }| {
        vec![
            candidate.protocol.name.clone(),
            settings.to_string(),
            format!("{:.0} %", candidate.share * 100.0),
            candidate.frames.to_string(),
            candidate.refused.to_string(),
            if candidate.first.is_empty() { "none yet".to_owned() } else { candidate.first.join("; ") },
        ]
    });
    let titles = ["protocol", "line", "explained", "frames", "refused", "first readings (compare with the display)"];
    write!(out, "{}", table(&titles, &["explained", "frames", "refused"], rows))?;
    let named = found
        .iter()
        .take(MOST_CANDIDATES)
        .filter_map(|found| Some((&found.candidate, found.candidate.identity.as_ref()?)));
    named.into_iter().try_for_each(|(candidate, text)| {
        writeln!(out, "\n{} reports its identity: {}", candidate.protocol.name, harmless(text))
    })
}

fn line(found: &PortCandidate) -> serde_json::Value {
    let PortCandidate { settings, candidate } = found;
    json!({
        "protocol": candidate.protocol.name,
        "baud": settings.baud,
        "line": settings.to_string(),
        "explained": candidate.share,
        "frames": candidate.frames,
        "refused": candidate.refused,
        "values": candidate.names,
        "first": candidate.first,
        "identity": candidate.identity,
    })
}

/// Writes a bench file with what is known; the rest is in comments.
fn write_bench(
    path: &Path,
    library: &Library,
    address: &Address,
    cable: Option<&str>,
    found: &PortCandidate,
) -> Result<(), Failure> {
    let unwritable = |error: &io::Error| {
        Failure::usage(format!(
            "the file {} can't be written: {} (--write gives the name)",
            path.display(),
            IoReason(error)
        ))
    };
    let before = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(unwritable(&error)),
    };
    let file = path.display().to_string();
    let bench = if before.is_empty() {
        Bench::default()
    } else {
        Bench::parse(&file, &before, library).map_err(BenchError::from)?
    };
    let taken: Vec<&str> = bench.meters.iter().map(|meter| &meter.name[..]).collect();
    let channels: Vec<&str> =
        bench.meters.iter().flat_map(|meter| &meter.channels).map(|channel| &channel.name[..]).collect();
    let name = free_name("meter", &taken);
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let candidate = &found.candidate;
    let gap = if before.is_empty() {
        ""
    } else if before.ends_with('\n') {
        "\n"
    } else {
        "\n\n"
    };
    let mut text = format!(
        "{gap}[[meter]]\nname = {}\nport = {}\nprotocol = {}\n",
        quoted(&name),
        quoted(&address.to_string()),
        quoted(&candidate.protocol.name),
    );
    match cable {
        // A HID cable's speed is part of its start-up bytes.
        Some(name) if *name == candidate.protocol.name => {}
        Some(name) => text += &format!("cable = {}\n", quoted(name)),
        None => text += &format!("baud = {}\n", found.settings.baud),
    }
    for (name, tells) in candidate.names.iter().zip(&candidate.tells_unit) {
        let channel = free_name(name, &channels);
        text += &format!("\n[[meter.channel]]\nname = {}\nreads = {}\n", quoted(&channel), quoted(name));
        if !tells {
            text += "# quantity = \"A DC\"          # what it measures\n# scale = \"100 mV/A\"          # what the clamp gives out\n";
        }
        text += "# accuracy = \"1.5 % + 20 mA\"  # from the data sheet\n";
    }
    // What is added must go with what is there: a port of its own, for one.
    Bench::parse(&file, &format!("{before}{text}"), library).map_err(BenchError::from)?;
    let mut open = OpenOptions::new().append(true).create(true).open(path).map_err(|error| unwritable(&error))?;
    Ok(open.write_all(text.as_bytes())?)
}

/// The name, or with a number behind it where it is taken.
fn free_name(name: &str, taken: &[&str]) -> String {
    let numbered = (2..).map(|number| format!("{name} {number}"));
    let mut names = std::iter::once(name.to_owned()).chain(numbered);
    names.find(|name| !taken.contains(&&name[..])).expect("one of endless numbers is free")
}
