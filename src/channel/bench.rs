//! The bench file: which meters are connected, and what their values mean in the circuit.

use std::{
    collections::HashMap,
    path::{Path, PathBuf},
    sync::Arc,
};

use serde::Deserialize;
use toml::Spanned;

use super::{
    Feed, cable, line,
    sheet::{self, AccuracyKeys},
};
use crate::{
    mistake::{Mistake, Source, parse_toml},
    port::{Address, Settings},
    protocol::{HidTable, Library, Protocol},
    units::{Dimension, Measure, Quantity, Scale},
};

/// The JSON schema of the bench file, by which an editor completes it.
pub const BENCH_SCHEMA: &str = include_str!("bench.schema.json");

/// The meters of the bench, ready to be opened.
#[derive(Debug, Clone, Default)]
pub struct Bench {
    /// In the order of the file; names are unique.
    pub meters: Vec<MeterSpec>,
    /// The file as written, kept with the session; empty for a bench given on the command line.
    pub text: String,
}

/// One meter or board.
#[derive(Debug, Clone)]
pub struct MeterSpec {
    /// Unique on the bench.
    pub name: String,
    /// Where its bytes come from.
    pub address: Address,
    /// How the line is set.
    pub settings: Settings,
    /// How its bytes become readings.
    pub protocol: Arc<Protocol>,
    /// The fuse of its amps jack as written; empty where not told.
    pub amps_fuse: String,
    /// How often it reports, Hz; none where not told.
    pub rate: Option<f64>,
    /// What its readings mean; when empty, every value that it sends becomes a channel of its own.
    pub channels: Vec<ChannelSpec>,
}

/// One channel of a meter.
#[derive(Debug, Clone)]
pub struct ChannelSpec {
    /// Unique on the bench.
    pub name: String,
    /// The value of the frame that feeds it.
    pub reads: String,
    /// How the reading becomes a sample.
    pub feed: Feed,
    /// The scale as written; empty where there is none.
    pub scale: String,
    /// The accuracy as written, rows parted by semicolons; empty where there is none.
    pub accuracy: String,
    /// How far it reaches, either sign, base units in circuit terms; none where not told.
    pub range: Option<Measure>,
    /// What its last digit is worth, base units in circuit terms; none where not told.
    pub digit: Option<Measure>,
}

/// `NAME=PORT,PROTOCOL` or `NAME=PORT`: a meter without a bench file.
#[derive(Debug, Clone, PartialEq)]
pub struct QuickMeter {
    /// Unique on the bench.
    pub name: String,
    /// Where its bytes come from.
    pub address: Address,
    /// The protocol's name; none where it is to be found out.
    pub protocol: Option<String>,
    /// How the line is set; none where the protocol says.
    pub settings: Option<Settings>,
}

/// Why a bench can't be used.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The file can't be read.
    #[error("the bench file {} can't be read: {source}; check the name and its permissions", path.display())]
    Unreadable {
        /// As the user gave it.
        path: PathBuf,
        /// The system's word.
        source: std::io::Error,
    },
    /// Something in the file is wrong.
    #[error(transparent)]
    Mistake(#[from] Mistake),
    /// Something in a `--meter` option is wrong.
    #[error("--meter {option}: {message}")]
    Option {
        /// As the user gave it.
        option: String,
        /// What was expected.
        message: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    meter: Vec<MeterTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MeterTable {
    name: Spanned<String>,
    pub(super) port: Spanned<String>,
    protocol: Spanned<String>,
    pub(super) baud: Option<Spanned<u32>>,
    amps_fuse: Option<Spanned<String>>,
    pub(super) data_bits: Option<Spanned<u8>>,
    pub(super) parity: Option<Spanned<String>>,
    pub(super) stop_bits: Option<Spanned<u8>>,
    pub(super) flow: Option<Spanned<String>>,
    pub(super) dtr: Option<Spanned<String>>,
    pub(super) rts: Option<Spanned<String>>,
    pub(super) cable: Option<Spanned<String>>,
    pub(super) hid: Option<Spanned<HidTable>>,
    rate: Option<Spanned<String>>,
    #[serde(default)]
    channel: Vec<ChannelTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChannelTable {
    name: Spanned<String>,
    reads: Option<Spanned<String>>,
    quantity: Option<Spanned<String>>,
    scale: Option<Spanned<String>>,
    accuracy: Option<Spanned<AccuracyKeys>>,
    range: Option<Spanned<String>>,
    digit: Option<Spanned<String>>,
}

impl Bench {
    /// Reads and checks a bench file.
    pub fn load(path: &Path, library: &Library) -> Result<Self, BenchError> {
        let text =
            std::fs::read_to_string(path).map_err(|source| BenchError::Unreadable { path: path.to_owned(), source })?;
        Ok(Self::parse(&path.display().to_string(), &text, library)?)
    }

    /// Checks the text of a bench file; `file` is how the user knows it.
    pub fn parse(file: &str, text: &str, library: &Library) -> Result<Self, Mistake> {
        let tables: File = parse_toml(file, text)?;
        let mut reader =
            Reader { source: Source { file, text }, library, meters: HashMap::new(), channels: HashMap::new() };
        let meters = tables.meter.into_iter().map(|table| reader.meter(table)).collect::<Result<_, _>>()?;
        Ok(Self { meters, text: text.to_owned() })
    }

    /// The channels that there can ever be; none where a meter brings its own, whose names nobody
    /// knows before it speaks.
    pub fn channel_names(&self) -> Option<Vec<String>> {
        let named = self.meters.iter().all(|meter| !meter.channels.is_empty());
        let channels = self.meters.iter().flat_map(|meter| &meter.channels);
        named.then(|| channels.map(|channel| channel.name.clone()).collect())
    }

    /// Adds a meter given on the command line.
    pub fn add(&mut self, quick: QuickMeter, library: &Library) -> Result<(), BenchError> {
        let wrong = |message: String| BenchError::Option { option: quick.name.clone(), message };
        if self.meters.iter().any(|meter| meter.name == quick.name) {
            return Err(wrong("there is a meter of this name already; give it another".to_owned()));
        }
        let name = quick.protocol.as_deref().ok_or_else(|| wrong("its protocol is not known".to_owned()))?;
        let protocol = library.find(name).map_err(|error| wrong(error.to_string()))?;
        let settings = quick.settings.unwrap_or_else(|| protocol.settings(Settings::default()));
        cable::suits(settings.hid.as_ref(), &quick.address, &protocol).map_err(|error| wrong(error.to_string()))?;
        self.meters.push(MeterSpec {
            name: quick.name,
            address: quick.address,
            settings,
            protocol,
            amps_fuse: String::new(),
            rate: None,
            channels: Vec::new(),
        });
        Ok(())
    }
}

/// Walks the tables of one file and tells mistakes by line.
struct Reader<'a> {
    source: Source<'a>,
    library: &'a Library,
    meters: HashMap<String, ()>,
    channels: HashMap<String, String>,
}

impl Reader<'_> {
    fn meter(&mut self, mut table: MeterTable) -> Result<MeterSpec, Mistake> {
        let name = self.name(&table.name)?;
        if self.meters.insert(name.clone(), ()).is_some() {
            return Err(self.source.mistake(
                table.name.span(),
                format!("found a second meter named \"{name}\", expected a name of its own"),
            ));
        }
        let address: Address = self.source.parse(&table.port)?;
        let protocol = self
            .library
            .find(table.protocol.get_ref())
            .map_err(|error| self.source.mistake(table.protocol.span(), error.to_string()))?;
        let mut settings = line::settings(self.source, &table, protocol.settings(Settings::default()))?;
        settings.hid = cable::of(self.source, self.library, &mut table, &address, &protocol)?;
        let mut taken = HashMap::new();
        let channels = table
            .channel
            .into_iter()
            .map(|channel| self.channel(channel, &name, &protocol, &mut taken))
            .collect::<Result<_, _>>()?;
        let amps_fuse = match table.amps_fuse {
            None => String::new(),
            Some(text) => {
                let fuse: Measure = self.source.parse(&text)?;
                if fuse.dimension != Dimension::Ampere {
                    let message = format!("found \"{}\", expected amps, such as \"10 A\"", text.get_ref());
                    return Err(self.source.mistake(text.span(), message));
                }
                text.into_inner()
            }
        };
        let rate = table
            .rate
            .as_ref()
            .map(|text| above_zero(self.source, text, Some(Dimension::Hertz), "3 Hz"))
            .transpose()?;
        Ok(MeterSpec { name, address, settings, protocol, amps_fuse, rate: rate.map(|rate| rate.value), channels })
    }

    fn channel(
        &mut self,
        table: ChannelTable,
        meter: &str,
        protocol: &Protocol,
        taken: &mut HashMap<String, String>,
    ) -> Result<ChannelSpec, Mistake> {
        let name = self.name(&table.name)?;
        if let Some(other) = self.channels.insert(name.clone(), meter.to_owned()) {
            let message = format!(
                "found a second channel named \"{name}\" (the first is on meter \"{other}\"), expected a name of its own"
            );
            return Err(self.source.mistake(table.name.span(), message));
        }
        let reads = self.reads(&table, protocol)?;
        if let Some(other) = taken.insert(reads.clone(), name.clone()) {
            let span = table.reads.as_ref().unwrap_or(&table.name).span();
            let message = format!(
                "found \"{reads}\" a second time, expected a value that channel \"{other}\" does not read already"
            );
            return Err(self.source.mistake(span, message));
        }
        let scale_text = table.scale.as_ref().map(|text| text.get_ref().clone()).unwrap_or_default();
        let mut feed = self.feed(&table)?;
        let mut accuracy = String::new();
        if let Some(keys) = &table.accuracy {
            let (sheet, text) = sheet::read(self.source, keys, &feed)?;
            (feed.accuracy, accuracy) = (Some(sheet), text);
        }
        let fits = |text: &Spanned<String>, example| above_zero(self.source, text, feed.dimension(), example);
        let range = table.range.as_ref().map(|text| fits(text, "60 A")).transpose()?;
        let digit = table.digit.as_ref().map(|text| fits(text, "10 mA")).transpose()?;
        Ok(ChannelSpec { name, reads, feed, scale: scale_text, accuracy, range, digit })
    }

    /// The value of the frame that a channel reads; it may be left out where there is but one.
    fn reads(&self, table: &ChannelTable, protocol: &Protocol) -> Result<String, Mistake> {
        match (&table.reads, protocol.value_names()) {
            (Some(reads), Some(names)) if !names.contains(reads.get_ref()) => {
                let message = format!(
                    "found \"{}\", which frames of protocol \"{}\" do not carry, expected one of: {}",
                    reads.get_ref(),
                    protocol.name,
                    names.join(", ")
                );
                Err(self.source.mistake(reads.span(), message))
            }
            (Some(reads), _) => Ok(reads.get_ref().clone()),
            (None, Some([only])) => Ok(only.clone()),
            (None, names) => {
                let known = names.map_or(String::new(), |names| format!(" (it has {})", names.join(", ")));
                let message = format!(
                    "channel \"{}\" does not say which value of the frame it is{known}, expected reads = \"…\"",
                    table.name.get_ref()
                );
                Err(self.source.mistake(table.name.span(), message))
            }
        }
    }

    /// All of it but the accuracy.
    fn feed(&self, table: &ChannelTable) -> Result<Feed, Mistake> {
        let quantity: Option<Quantity> = table.quantity.as_ref().map(|text| self.source.parse(text)).transpose()?;
        let scale: Scale = table.scale.as_ref().map_or(Ok(Scale::NONE), |text| self.source.parse(text))?;
        if let (Some(quantity), Some(to), Some(text)) = (quantity, scale.to, &table.scale)
            && quantity.dimension() != to
        {
            let message =
                format!("found a scale that ends in {}, expected {} for \"{quantity}\"", to.unit(), quantity.unit());
            return Err(self.source.mistake(text.span(), message));
        }
        Ok(Feed { quantity, scale, accuracy: None })
    }

    fn name(&self, name: &Spanned<String>) -> Result<String, Mistake> {
        match name.get_ref().trim() {
            "" => Err(self.source.mistake(name.span(), "found an empty name, expected one to call it by")),
            trimmed => Ok(trimmed.to_owned()),
        }
    }
}

/// A value above zero, in this dimension where it is known.
pub(super) fn above_zero(
    source: Source,
    text: &Spanned<String>,
    dimension: Option<Dimension>,
    example: &str,
) -> Result<Measure, Mistake> {
    let measure: Measure = source.parse(text)?;
    if measure.value > 0.0 && dimension.is_none_or(|dimension| dimension == measure.dimension) {
        return Ok(measure);
    }
    let unit = dimension.map_or(String::new(), |dimension| format!(" in {}", dimension.unit()));
    let message = format!("found \"{}\", expected a value above zero{unit}, such as \"{example}\"", text.get_ref());
    Err(source.mistake(text.span(), message))
}

impl std::str::FromStr for QuickMeter {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("found \"{text}\", expected NAME=PORT,PROTOCOL such as probe=/dev/ttyUSB0,number, or NAME=PORT");
        let (name, rest) = text.split_once('=').ok_or_else(wrong)?;
        // What stands behind the last comma is a protocol's name only if it looks like one.
        let is_name = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
        let (port, protocol) = match rest.rsplit_once(',') {
            Some((port, protocol)) if is_name(protocol.trim()) => (port, Some(protocol.trim().to_owned())),
            _ => (rest, None),
        };
        if name.trim().is_empty() || port.ends_with(',') {
            return Err(wrong());
        }
        let address = port.trim().parse().map_err(|error: crate::port::AddressError| error.to_string())?;
        Ok(Self { name: name.trim().to_owned(), address, protocol, settings: None })
    }
}

#[cfg(test)]
#[path = "bench_tests.rs"]
mod tests;
