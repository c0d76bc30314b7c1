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
    table::{left, right, table},
};
use crate::{
    channel::{Bench, BenchError},
    io_reason::IoReason,
    port::{Address, Settings},
    protocol::{Library, Protocol},
    sanitize::sanitized,
    setup::{PortCandidate, ProtocolSearch, why_no_protocol},
};

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

impl IdentifyArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let cable = self.cable(common)?;
        let search = ProtocolSearch {
            address: &self.port,
            baud: self.baud,
            cable,
            length: self.length,
            ask: self.poll,
            waiting,
        };
        let (found, received) = search.run(&all(common)?)?;
        let mut out = stdout().lock();
        if self.json {
            for found in &found {
                writeln!(out, "{}", line(found))?;
            }
        } else if found.is_empty() {
            return Err(Failure::failed(anyhow::anyhow!("{}", why_no_protocol(&self.port, &received))));
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
    let search =
        ProtocolSearch { address, baud: None, cable: None, length: Duration::from_millis(1500), ask: false, waiting };
    let (found, received) = search.run(&all(common)?)?;
    if found.is_empty() {
        return Err(Failure::failed(anyhow::anyhow!("{}", why_no_protocol(address, &received))));
    }
    let best = found.into_iter().next().filter(|best| best.candidate.is_clear());
    best.ok_or_else(|| {
        Failure::failed(anyhow::anyhow!(
            "it is not clear which protocol fits {address}; look at `bayline identify {address}` and name the protocol, NAME={address},PROTOCOL"
        ))
    })
}

/// Tells who looks at a terminal that more is waited for.
fn waiting(why: &str, seconds: u64) {
    if stderr().is_terminal() {
        print_error(format_args!("{why}; listening for more, {seconds} s at most"));
    }
}

fn all(common: &CommonArgs) -> Result<Vec<Arc<Protocol>>, Failure> {
    let library = common.library();
    let (listed, broken) = library.all();
    for error in broken {
        tracing::warn!("{error}");
    }
    Ok(listed.iter().map(|listed| library.find(&listed.name)).collect::<Result<_, _>>()?)
}

fn print_candidates(out: &mut dyn Write, found: &[PortCandidate]) -> io::Result<()> {
    let rows = found.iter().take(MOST_CANDIDATES).map(|PortCandidate { settings, candidate }| {
        [
            candidate.protocol.name.clone(),
            settings.to_string(),
            format!("{:.0} %", candidate.share * 100.0),
            candidate.understood.to_string(),
            candidate.refused.to_string(),
            if candidate.first.is_empty() { "none yet".to_owned() } else { candidate.first.join("; ") },
        ]
    });
    let columns = [
        left("protocol"),
        left("line"),
        right("explained"),
        right("frames"),
        right("refused"),
        left("first readings (compare with the display)"),
    ];
    write!(out, "{}", table(columns, rows))?;
    let named = found
        .iter()
        .take(MOST_CANDIDATES)
        .filter_map(|found| Some((&found.candidate, found.candidate.identity.as_ref()?)));
    named.into_iter().try_for_each(|(candidate, text)| {
        writeln!(out, "\n{} reports its identity: {}", candidate.protocol.name, sanitized(text))
    })
}

fn line(found: &PortCandidate) -> serde_json::Value {
    let PortCandidate { settings, candidate } = found;
    json!({
        "protocol": candidate.protocol.name,
        "baud": settings.baud,
        "line": settings.to_string(),
        "explained": candidate.share,
        "frames": candidate.understood,
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
