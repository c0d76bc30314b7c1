//! `bayline identify`: what does this port speak?

use std::{
    fs::OpenOptions,
    io::{self, Write, stderr, stdout},
    path::PathBuf,
    process::ExitCode,
    sync::Arc,
    time::Duration,
};

use clap::Args;
use serde_json::json;

use super::{
    Common,
    capture::{duration, named_cable},
    failure::Failure,
    table::table,
};
use crate::{
    clock::Mono,
    port::{Address, Asker, PATIENCE, Port, Settings, listen},
    protocol::{PollAction, Poller, Protocol, ProtocolMatch, RecordedChunk, Traffic, rank},
};

/// Speeds that meters and boards are set to, the usual ones first: common practice, no source.
const SPEEDS: [u32; 9] = [115_200, 9600, 2400, 19_200, 4800, 38_400, 57_600, 1200, 250_000];

/// More bytes than this tell nothing more.
const ENOUGH: usize = 64 * 1024;

/// More candidates than this are no help to anyone.
const SHOWN: usize = 8;

/// Find out what a port speaks.
#[derive(Debug, Args)]
pub(super) struct Identify {
    /// The port, such as /dev/ttyUSB0
    port: Address,
    /// Also ask, by every protocol that asks; writing to an unknown device can disturb it
    #[arg(long)]
    poll: bool,
    /// Listen only at this speed, bits a second
    #[arg(long, value_name = "RATE")]
    baud: Option<u32>,
    /// For a HID cable: a protocol whose [hid] describes it; what that wakes the cable with is sent
    #[arg(long, value_name = "PROTOCOL")]
    cable: Option<String>,
    /// How long to listen at each setting
    #[arg(long = "for", value_name = "TIME", default_value = "1500 ms", value_parser = duration)]
    length: Duration,
    /// Begin a bench file from what was found; it must not exist yet
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
}

/// A candidate, and how the line was set when it was heard.
pub(super) struct Found {
    pub settings: Settings,
    pub candidate: ProtocolMatch,
}

impl Identify {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let cable = self.cable(common)?;
        let search = Search { address: &self.port, baud: self.baud, cable, length: self.length, ask: self.poll };
        let (found, bytes) = search.run(&all(common)?)?;
        let mut out = stdout().lock();
        if self.json {
            for found in &found {
                writeln!(out, "{}", line(found))?;
            }
        } else if found.is_empty() {
            return Err(Failure::failed(anyhow::anyhow!("{}", nothing(&self.port, bytes))));
        } else {
            tell(&mut out, &found)?;
        }
        if let (Some(path), Some(best)) = (&self.write, found.first()) {
            write_bench(path, &self.port, self.cable.as_deref(), best)?;
            writeln!(stderr(), "{} begun; give its channels names and say what they measure", path.display())?;
        }
        Ok(if found.is_empty() { ExitCode::FAILURE } else { ExitCode::SUCCESS })
    }
}

impl Identify {
    /// How the line and the HID cable are set, for a port that is one.
    fn cable(&self, common: &Common) -> Result<Option<Settings>, Failure> {
        match (&self.port, &self.cable) {
            (Address::Hid(_), Some(name)) => named_cable(common, name).map(Some),
            (Address::Hid(_), None) => Err(Failure::usage(format!(
                "what the reports of a HID cable carry can't be found out by listening; name a protocol whose [hid] describes \
                 this one with --cable ({}), or record whole reports with `bayline capture {} -o FILE`",
                common.library().cables().join(", "),
                self.port
            ))),
            (_, Some(_)) => Err(Failure::usage("--cable is for HID cables, such as hid:/dev/hidraw0; leave it out")),
            (_, None) => Ok(None),
        }
    }
}

/// What `run --meter NAME=PORT` uses: the best candidate, when there is no doubt about it.
pub(super) fn identify(address: &Address, common: &Common) -> Result<Found, Failure> {
    if matches!(address, Address::Hid(_)) {
        return Err(Failure::usage(format!(
            "what a HID cable carries can't be found out by listening; name the protocol: NAME={address},PROTOCOL, with one \
             whose [hid] describes the cable ({})",
            common.library().cables().join(", ")
        )));
    }
    let search = Search { address, baud: None, cable: None, length: Duration::from_millis(1500), ask: false };
    let (found, bytes) = search.run(&all(common)?)?;
    if found.is_empty() {
        return Err(Failure::failed(anyhow::anyhow!("{}", nothing(address, bytes))));
    }
    let best = found.into_iter().next().filter(|best| best.candidate.is_clear());
    best.ok_or_else(|| {
        Failure::failed(anyhow::anyhow!(
            "it is not clear what {address} speaks; look with `bayline identify {address}` and name the protocol: NAME={address},PROTOCOL"
        ))
    })
}

fn all(common: &Common) -> Result<Vec<Arc<Protocol>>, Failure> {
    let library = common.library();
    let (listed, broken) = library.all();
    for error in broken {
        tracing::warn!("{error}");
    }
    Ok(listed.iter().map(|listed| library.find(&listed.name)).collect::<Result<_, _>>()?)
}

/// Why nothing was found: silence and bytes that fit nothing have remedies of their own.
fn nothing(port: &Address, bytes: usize) -> String {
    match bytes {
        0 => format!(
            "nothing came from {port}; is the meter switched on, and its output? Meters that speak only when asked need --poll"
        ),
        bytes => format!(
            "{bytes} bytes came from {port}, and they fit no protocol; `bayline capture {port} -o FILE` records them, and \
             protocols/README.md tells how to write a protocol"
        ),
    }
}

struct Search<'a> {
    address: &'a Address,
    baud: Option<u32>,
    /// How a HID cable is read; none for other ports.
    cable: Option<Settings>,
    length: Duration,
    ask: bool,
}

impl Search<'_> {
    /// The candidates of all settings that were tried, the best first; and how many bytes came.
    fn run(&self, protocols: &[Arc<Protocol>]) -> Result<(Vec<Found>, usize), Failure> {
        let streaming: Vec<_> =
            protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Streaming).cloned().collect();
        let mut found: Vec<Found> = Vec::new();
        let mut bytes = 0;
        for settings in self.settings(&streaming) {
            let mut ear = Ear::default();
            self.hear(&settings, &mut ear)?;
            bytes += ear.bytes;
            let ranked = rank(&streaming, &ear.heard);
            let clear = ranked.first().is_some_and(ProtocolMatch::is_clear);
            found.extend(ranked.into_iter().map(|candidate| {
                // Where the line has no speed of its own, the one that the protocol asks for is the better guess.
                let settings = if clear && self.cable.is_none() {
                    candidate.protocol.settings(settings.clone())
                } else {
                    settings.clone()
                };
                Found { settings, candidate }
            }));
            if clear {
                break;
            }
        }
        if self.ask && !found.first().is_some_and(|best| best.candidate.is_clear()) {
            found.extend(self.ask_all(protocols)?);
        }
        // Stable: of candidates that explain as much, the order of `rank` stays.
        found.sort_by_key(|found| std::cmp::Reverse((found.candidate.share * 33.0).round() as i64));
        Ok((found, bytes))
    }

    /// How the line is set in turn: the usual speeds, and what protocols ask for.
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

    fn hear(&self, settings: &Settings, ear: &mut Ear) -> Result<(), Failure> {
        tracing::debug!("listening to {} at {settings}", self.address);
        listen(self.address, settings, self.length, ear).map_err(|error| {
            Failure::failed(anyhow::anyhow!("{} can't be listened to: {error}; see `bayline ports`", self.address))
        })
    }

    fn ask_all(&self, protocols: &[Arc<Protocol>]) -> Result<Vec<Found>, Failure> {
        let mut found = Vec::new();
        for protocol in protocols.iter().filter(|protocol| protocol.traffic() == Traffic::Polled) {
            let plain = || Settings { baud: self.baud.unwrap_or(9600), ..Settings::default() };
            let settings = self.cable.clone().unwrap_or_else(|| protocol.settings(plain()));
            let mut ear = Ear { poller: Poller::new(protocol, Mono(0)), ..Ear::default() };
            self.hear(&settings, &mut ear)?;
            let ranked = rank(std::slice::from_ref(protocol), &ear.heard);
            found.extend(ranked.into_iter().map(|candidate| Found { settings: settings.clone(), candidate }));
        }
        Ok(found)
    }
}

/// Keeps what is heard, and asks where there is a poller.
#[derive(Default)]
struct Ear {
    heard: Vec<RecordedChunk>,
    bytes: usize,
    poller: Option<Poller>,
}

impl Asker for Ear {
    fn ask(&mut self, port: &mut dyn Port, now: Mono) -> io::Result<Duration> {
        let Some(poller) = &mut self.poller else { return Ok(PATIENCE) };
        loop {
            match poller.next_action(now) {
                PollAction::Send(bytes) => port.write_all(bytes, PATIENCE)?,
                PollAction::Wait(until) => return Ok(Duration::from_micros(until.since(now).max(0).unsigned_abs())),
            }
        }
    }

    fn heard(&mut self, at: Mono, bytes: &[u8]) {
        let request = self.poller.as_ref().and_then(Poller::request);
        if let Some(poller) = &mut self.poller {
            poller.received(bytes);
        }
        if self.bytes < ENOUGH {
            self.bytes += bytes.len();
            self.heard.push(RecordedChunk { at, bytes: bytes.to_vec(), request });
        }
    }
}

fn tell(out: &mut dyn Write, found: &[Found]) -> io::Result<()> {
    let rows = found.iter().take(SHOWN).map(|Found { settings, candidate }| {
        vec![
            candidate.protocol.name.clone(),
            settings.to_string(),
            format!("{:.0} %", candidate.share * 100.0),
            candidate.frames.to_string(),
            candidate.refused.to_string(),
            candidate.first.join("; "),
        ]
    });
    let titles =
        ["protocol", "line", "explained", "frames", "refused", "first readings: compare them with the display"];
    write!(out, "{}", table(&titles, &["explained", "frames", "refused"], rows))?;
    let named =
        found.iter().take(SHOWN).filter_map(|found| Some((&found.candidate, found.candidate.identity.as_ref()?)));
    named
        .into_iter()
        .try_for_each(|(candidate, text)| writeln!(out, "\nas {}, it says of itself: {text}", candidate.protocol.name))
}

fn line(found: &Found) -> serde_json::Value {
    let Found { settings, candidate } = found;
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

/// A bench file with what is known; what is not stands there as a comment.
fn write_bench(path: &PathBuf, address: &Address, cable: Option<&str>, found: &Found) -> Result<(), Failure> {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let candidate = &found.candidate;
    let mut text = format!(
        "[[meter]]\nname = \"meter\"\nport = {}\nprotocol = {}\n",
        quoted(&address.to_string()),
        quoted(&candidate.protocol.name),
    );
    match cable {
        // A HID cable's speed is a part of what it is greeted with.
        Some(name) if *name == candidate.protocol.name => {}
        Some(name) => text += &format!("cable = {}\n", quoted(name)),
        None => text += &format!("baud = {}\n", found.settings.baud),
    }
    for (name, tells) in candidate.names.iter().zip(&candidate.tells_unit) {
        text += &format!("\n[[meter.channel]]\nname = {}\nreads = {}\n", quoted(name), quoted(name));
        if !tells {
            text += "# quantity = \"A DC\"          # what it measures\n# scale = \"100 mV/A\"          # what the clamp gives out\n";
        }
        text += "# accuracy = \"1.5 % + 20 mA\"  # from the data sheet\n";
    }
    let mut file = OpenOptions::new().write(true).create_new(true).open(path).map_err(|error| {
        Failure::usage(format!("{} can't be made: {error}; choose a new file with --write", path.display()))
    })?;
    Ok(file.write_all(text.as_bytes())?)
}
