//! The bench file: which meters are connected, and what their values mean in the circuit.

use std::{
    collections::HashMap,
    fmt::Display,
    path::{Path, PathBuf},
    sync::Arc,
};

use serde::Deserialize;
use toml::Spanned;

use super::Feed;
use crate::{
    mistake::{Mistake, Source, parse_toml},
    port::{Address, DataBits, Flow, Settings, StopBits},
    protocol::{Library, Protocol},
    units::{Accuracy, Dimension, Measure, Quantity, Scale},
};

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
    /// The accuracy as written; empty where there is none.
    pub accuracy: String,
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
struct MeterTable {
    name: Spanned<String>,
    port: Spanned<String>,
    protocol: Spanned<String>,
    baud: Option<Spanned<u32>>,
    amps_fuse: Option<Spanned<String>>,
    data_bits: Option<Spanned<u8>>,
    parity: Option<Spanned<String>>,
    stop_bits: Option<Spanned<u8>>,
    flow: Option<Spanned<String>>,
    dtr: Option<Spanned<String>>,
    rts: Option<Spanned<String>>,
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
    accuracy: Option<Spanned<String>>,
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
        self.meters.push(MeterSpec {
            name: quick.name,
            address: quick.address,
            settings: quick.settings.unwrap_or_else(|| protocol.serial.over(Settings::default())),
            protocol,
            amps_fuse: String::new(),
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
    fn meter(&mut self, table: MeterTable) -> Result<MeterSpec, Mistake> {
        let name = self.name(&table.name)?;
        if self.meters.insert(name.clone(), ()).is_some() {
            return Err(self.source.mistake(
                table.name.span(),
                format!("found a second meter named \"{name}\", expected a name of its own"),
            ));
        }
        let address = self.source.parse(&table.port)?;
        let protocol = self
            .library
            .find(table.protocol.get_ref())
            .map_err(|error| self.source.mistake(table.protocol.span(), error.to_string()))?;
        let settings = self.settings(&table, protocol.serial.over(Settings::default()))?;
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
        Ok(MeterSpec { name, address, settings, protocol, amps_fuse, channels })
    }

    /// How the line is set: what the meter's table says, and the rest as it is.
    fn settings(&self, table: &MeterTable, mut settings: Settings) -> Result<Settings, Mistake> {
        let source = self.source;
        if let Some(baud) = &table.baud {
            let known = |baud| (baud > 0).then_some(baud);
            settings.baud = number(source, baud, known, "bits a second, such as 115200")?;
        }
        if let Some(bits) = &table.data_bits {
            settings.data_bits = number(source, bits, DataBits::of, "5, 6, 7 or 8")?;
        }
        if let Some(bits) = &table.stop_bits {
            settings.stop_bits = number(source, bits, StopBits::of, "1 or 2")?;
        }
        if let Some(parity) = &table.parity {
            settings.parity = source.parse(parity)?;
        }
        if let Some(flow) = &table.flow {
            settings.flow = source.parse(flow)?;
        }
        if let Some(dtr) = &table.dtr {
            settings.dtr = Some(source.parse(dtr)?);
        }
        if let Some(rts) = &table.rts {
            settings.rts = Some(source.parse(rts)?);
            if settings.flow == Flow::Lines {
                let message = "found a level for a line that the flow control drives, expected rts or flow = \"rts/cts\", not both";
                return Err(source.mistake(rts.span(), message));
            }
        }
        Ok(settings)
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
        let accuracy_text = table.accuracy.as_ref().map(|text| text.get_ref().clone()).unwrap_or_default();
        let feed = self.feed(table)?;
        Ok(ChannelSpec { name, reads, feed, scale: scale_text, accuracy: accuracy_text })
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

    fn feed(&self, table: ChannelTable) -> Result<Feed, Mistake> {
        let quantity: Option<Quantity> = table.quantity.as_ref().map(|text| self.source.parse(text)).transpose()?;
        let scale: Scale = table.scale.as_ref().map_or(Ok(Scale::NONE), |text| self.source.parse(text))?;
        if let (Some(quantity), Some(to), Some(text)) = (quantity, scale.to, &table.scale)
            && quantity.dimension() != to
        {
            let message =
                format!("found a scale that ends in {}, expected {} for \"{quantity}\"", to.unit(), quantity.unit());
            return Err(self.source.mistake(text.span(), message));
        }
        let accuracy: Option<Accuracy> = table.accuracy.as_ref().map(|text| self.source.parse(text)).transpose()?;
        let feed = Feed { quantity, scale, accuracy };
        if let (Some(fixed), Some(shown), Some(text)) =
            (accuracy.and_then(|accuracy| accuracy.dimension), feed.dimension(), &table.accuracy)
            && fixed != shown
        {
            let message =
                format!("found an accuracy in {}, expected {} as the channel shows", fixed.unit(), shown.unit());
            return Err(self.source.mistake(text.span(), message));
        }
        Ok(feed)
    }

    fn name(&self, name: &Spanned<String>) -> Result<String, Mistake> {
        match name.get_ref().trim() {
            "" => Err(self.source.mistake(name.span(), "found an empty name, expected one to call it by")),
            trimmed => Ok(trimmed.to_owned()),
        }
    }
}

/// A number that means a setting; a mistake says which ones there are.
fn number<N: Copy + Display, T>(
    source: Source<'_>,
    value: &Spanned<N>,
    meaning: impl FnOnce(N) -> Option<T>,
    expected: &str,
) -> Result<T, Mistake> {
    let found = *value.get_ref();
    meaning(found).ok_or_else(|| source.mistake(value.span(), format!("found {found}, expected {expected}")))
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
mod tests {
    use super::*;
    use crate::port::{Level, Parity};

    fn parse(table: &str) -> Result<Bench, Mistake> {
        let text = format!("[[meter]]\nname = \"probe\"\nport = \"/dev/ttyUSB0\"\nprotocol = \"number\"\n{table}\n");
        Bench::parse("bench.toml", &text, &Library::new(Vec::new()))
    }

    #[test]
    fn a_line_is_set_as_the_file_says() {
        let bench = parse(
            "baud = 2400\ndata_bits = 7\nparity = \"odd\"\nstop_bits = 2\nflow = \"xon/xoff\"\ndtr = \"on\"\nrts = \"off\"",
        )
        .unwrap();
        let expected = Settings {
            baud: 2400,
            data_bits: DataBits::Seven,
            parity: Parity::Odd,
            stop_bits: StopBits::Two,
            flow: Flow::Characters,
            dtr: Some(Level::On),
            rts: Some(Level::Off),
            hid: None,
        };
        assert_eq!(bench.meters[0].settings, expected);
        assert_eq!(parse("").unwrap().meters[0].settings, Settings::default());
    }

    #[test]
    fn mistakes_in_the_line_s_settings_are_told_by_line() {
        for (table, expected) in [
            ("baud = 0", "found 0, expected bits a second, such as 115200"),
            ("data_bits = 9", "found 9, expected 5, 6, 7 or 8"),
            ("stop_bits = 3", "found 3, expected 1 or 2"),
            ("parity = \"mark\"", "found \"mark\", expected \"none\", \"even\" or \"odd\""),
            ("flow = \"hard\"", "found \"hard\", expected \"none\", \"rts/cts\" or \"xon/xoff\""),
            ("dtr = \"high\"", "found \"high\", expected \"on\" or \"off\""),
        ] {
            let mistake = parse(table).unwrap_err();
            assert_eq!((mistake.line, mistake.message.as_str()), (5, expected), "{table}");
        }
        let mistake = parse("flow = \"rts/cts\"\nrts = \"on\"").unwrap_err();
        assert_eq!(mistake.line, 6);
    }
}
