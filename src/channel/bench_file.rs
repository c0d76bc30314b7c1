//! The bench file: read, checked and turned into a [`Bench`].
//!
//! The tables here are not the bench's own types. In a file a protocol is a name, settings that are left out come from the
//! protocol, and `reads` may be left out; in the bench all of it is known.

use std::{collections::HashMap, path::Path, sync::Arc};

use serde::Deserialize;
use toml::Spanned;

use super::{
    Bench, BenchError, ChannelSpec, Conversion, DerivedSpec, MeterOrigin, MeterSpec,
    accuracy::{AccuracyKeys, above_zero, read_accuracy},
    bench::check_cable,
    derived_file::{DerivedTable, derived_channel},
    instruments::check_instrument,
};
use crate::{
    mistake::{Mistake, Source, parse_toml},
    port::{Address, Baud, DataBits, Flow, HidCable, Level, Parity, Settings, StopBits},
    protocol::{HidTable, Library, Protocol},
    text_file,
    units::{AsWritten, Dimension, Measure, Quantity, Scale, show_given},
};

/// The JSON schema of the bench file, by which an editor completes it.
pub const BENCH_SCHEMA: &str = include_str!("bench.schema.json");

/// No meter sends more often, Hz.
const MOST_A_SECOND: f64 = 1e6;

/// Bits that one reading takes on a serial line at least: a digit and a line end, of ten bits each.
const BITS_OF_A_READING: f64 = 20.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BenchFile {
    meter: Vec<MeterTable>,
    #[serde(default)]
    derived: Vec<DerivedTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MeterTable {
    name: Spanned<String>,
    port: Spanned<Address>,
    protocol: Spanned<String>,
    baud: Option<Baud>,
    amps_fuse: Option<Spanned<AsWritten<Measure>>>,
    data_bits: Option<DataBits>,
    parity: Option<Parity>,
    stop_bits: Option<StopBits>,
    flow: Option<Flow>,
    dtr: Option<Level>,
    rts: Option<Spanned<Level>>,
    cable: Option<Spanned<String>>,
    hid: Option<Spanned<HidTable>>,
    rate: Option<Spanned<AsWritten<Measure>>>,
    serial_number: Option<Spanned<String>>,
    calibrated: Option<Spanned<String>>,
    #[serde(default)]
    channel: Vec<ChannelTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChannelTable {
    name: Spanned<String>,
    reads: Option<Spanned<String>>,
    quantity: Option<Quantity>,
    scale: Option<Spanned<AsWritten<Scale>>>,
    accuracy: Option<Spanned<AccuracyKeys>>,
    range: Option<Spanned<AsWritten<Measure>>>,
    digit: Option<Spanned<AsWritten<Measure>>>,
    serial_number: Option<Spanned<String>>,
    calibrated: Option<Spanned<String>>,
}

impl Bench {
    /// Reads and checks a bench file.
    pub fn load(path: &Path, library: &Library) -> Result<Self, BenchError> {
        let text = text_file::read(path).map_err(|source| BenchError::Unreadable { path: path.to_owned(), source })?;
        Ok(Self::parse(&path.display().to_string(), &text, library)?)
    }

    /// Checks the text of a bench file; `file` is how the user knows it.
    pub fn parse(file: &str, text: &str, library: &Library) -> Result<Self, Mistake> {
        let tables: BenchFile = parse_toml(file, text)?;
        let mut reader = Reader {
            source: Source { file, text },
            library,
            meter_names: Vec::new(),
            meter_of_channel: HashMap::new(),
            meter_of_port: HashMap::new(),
        };
        let meters = tables.meter.into_iter().map(|table| reader.meter(table)).collect::<Result<_, _>>()?;
        let meters: Vec<MeterSpec> = meters;
        let mut derived: Vec<DerivedSpec> = Vec::new();
        for table in tables.derived {
            let spec = derived_channel(reader.source, table, &meters)?;
            let taken = reader.meter_of_channel.contains_key(&spec.0.name);
            if taken || derived.iter().any(|other| other.name == spec.0.name) {
                let message = format!("found a second channel named \"{}\", expected a name of its own", spec.0.name);
                return Err(reader.source.mistake(spec.1, message));
            }
            derived.push(spec.0);
        }
        Ok(Self { meters, derived, text: text.to_owned() })
    }
}

/// Checks the tables of one file; each mistake carries its line.
struct Reader<'a> {
    source: Source<'a>,
    library: &'a Library,
    meter_names: Vec<String>,
    meter_of_channel: HashMap<String, String>,
    meter_of_port: HashMap<String, String>,
}

impl Reader<'_> {
    fn meter(&mut self, mut table: MeterTable) -> Result<MeterSpec, Mistake> {
        let name = self.name(&table.name)?;
        if self.meter_names.contains(&name) {
            return Err(self.source.mistake(
                table.name.span(),
                format!("found a second meter named \"{name}\", expected a name of its own"),
            ));
        }
        self.meter_names.push(name.clone());
        check_instrument(self.source, table.serial_number.as_ref(), table.calibrated.as_ref())?;
        // A device has one reader; programs and recordings may be read twice.
        if matches!(table.port.get_ref(), Address::Serial(_) | Address::Hid(_) | Address::Keys(_)) {
            let port = table.port.get_ref().to_string();
            if let Some(other) = self.meter_of_port.get(&port) {
                let message = format!(
                    "found the port \"{port}\" a second time (meter \"{other}\" has it), expected one of its own"
                );
                return Err(self.source.mistake(table.port.span(), message));
            }
            self.meter_of_port.insert(port, name.clone());
        }
        let protocol = self
            .library
            .find(table.protocol.get_ref())
            .map_err(|error| self.source.mistake(table.protocol.span(), error.to_string()))?;
        let mut settings = self.line(&table, protocol.settings(Settings::default()))?;
        settings.hid = self.cable(&mut table, &protocol)?;
        let mut read_by = HashMap::new();
        let channels = table
            .channel
            .into_iter()
            .map(|channel| self.channel(channel, &name, &protocol, &mut read_by))
            .collect::<Result<_, _>>()?;
        if let Some(fuse) = table.amps_fuse.as_ref().filter(|fuse| fuse.get_ref().value.dimension != Dimension::Ampere)
        {
            let message = format!("found \"{}\", expected amps, such as \"10 A\"", fuse.get_ref().text);
            return Err(self.source.mistake(fuse.span(), message));
        }
        let rate = table.rate.as_ref();
        let rate = rate.map(|rate| above_zero(self.source, rate, Some(Dimension::Hertz), "3 Hz")).transpose()?;
        if let (Some(rate), Some(written)) = (rate.filter(|rate| rate.value > MOST_A_SECOND), &table.rate) {
            let message = format!("found {rate}, expected at most 1 MHz");
            return Err(self.source.mistake(written.span(), message));
        }
        let most = f64::from(settings.baud) / BITS_OF_A_READING;
        if let (Some(rate), Some(written), Address::Serial(_)) = (rate, &table.rate, table.port.get_ref())
            && rate.value > most
        {
            let (most, baud) = (show_given(most, Dimension::Hertz), settings.baud);
            let message = format!("found {rate}, expected at most {most}: a line with {baud} baud carries no more");
            return Err(self.source.mistake(written.span(), message));
        }
        Ok(MeterSpec {
            name,
            address: table.port.into_inner(),
            settings,
            protocol,
            amps_fuse: table.amps_fuse.map(Spanned::into_inner),
            rate: rate.map(|rate| rate.value),
            channels,
            origin: MeterOrigin::BenchFile,
        })
    }

    /// How the serial line is set: what the table says, and the rest as it is.
    fn line(&self, table: &MeterTable, settings: Settings) -> Result<Settings, Mistake> {
        let flow = table.flow.unwrap_or(settings.flow);
        if let (Some(rts), Flow::Lines) = (&table.rts, flow) {
            let message =
                "found a level for a line that the flow control drives, expected rts or flow = \"rts/cts\", not both";
            return Err(self.source.mistake(rts.span(), message));
        }
        Ok(Settings {
            baud: table.baud.map_or(settings.baud, |baud| baud.get() as u32),
            data_bits: table.data_bits.unwrap_or(settings.data_bits),
            parity: table.parity.unwrap_or(settings.parity),
            stop_bits: table.stop_bits.unwrap_or(settings.stop_bits),
            flow,
            dtr: table.dtr.or(settings.dtr),
            rts: table.rts.as_ref().map(|rts| *rts.get_ref()).or(settings.rts),
            hid: settings.hid,
        })
    }

    /// The HID cable that the table describes or names, otherwise that of the protocol.
    fn cable(&self, table: &mut MeterTable, protocol: &Protocol) -> Result<Option<HidCable>, Mistake> {
        let is_hid = matches!(table.port.get_ref(), Address::Hid(_));
        let (described, named) = (table.hid.take(), table.cable.take());
        let span = described.as_ref().map(Spanned::span).or(named.as_ref().map(Spanned::span));
        if let (Some(span), false) = (span, is_hid) {
            let message =
                "found a HID cable at a port that is none, expected port = \"hid:…\", such as \"hid:/dev/hidraw0\"";
            return Err(self.source.mistake(span, message));
        }
        let cable = match (described, named) {
            (Some(_), Some(name)) => {
                return Err(self.source.mistake(name.span(), "found `cable` beside [meter.hid], expected one of them"));
            }
            (Some(table), None) => Some(table.into_inner().cable(self.source)?),
            (None, Some(name)) => {
                let cable = self.library.cable(name.get_ref());
                Some(cable.map_err(|error| self.source.mistake(name.span(), error.to_string()))?)
            }
            (None, None) if is_hid => protocol.hid.clone(),
            (None, None) => None,
        };
        check_cable(cable.as_ref(), table.port.get_ref(), protocol)
            .map_err(|error| self.source.mistake(table.port.span(), error.to_string()))?;
        Ok(cable)
    }

    fn channel(
        &mut self,
        table: ChannelTable,
        meter: &str,
        protocol: &Protocol,
        read_by: &mut HashMap<String, String>,
    ) -> Result<ChannelSpec, Mistake> {
        let name = self.name(&table.name)?;
        if let Some(other) = self.meter_of_channel.insert(name.clone(), meter.to_owned()) {
            let message = format!(
                "found a second channel named \"{name}\" (the first is on meter \"{other}\"), expected a name of its own"
            );
            return Err(self.source.mistake(table.name.span(), message));
        }
        check_instrument(self.source, table.serial_number.as_ref(), table.calibrated.as_ref())?;
        let reads = self.reads(&table, protocol)?;
        if let Some(other) = read_by.insert(reads.clone(), name.clone()) {
            let span = table.reads.as_ref().unwrap_or(&table.name).span();
            let message = format!(
                "found \"{reads}\" a second time, expected a value that channel \"{other}\" does not read already"
            );
            return Err(self.source.mistake(span, message));
        }
        if let (Some(quantity), Some(scale)) = (table.quantity, &table.scale)
            && let Some(to) = scale.get_ref().value.to.filter(|to| *to != quantity.dimension())
        {
            let message =
                format!("found a scale that ends in {}, expected {} for \"{quantity}\"", to.unit(), quantity.unit());
            return Err(self.source.mistake(scale.span(), message));
        }
        let mut conversion =
            Conversion { quantity: table.quantity, scale: table.scale.map(Spanned::into_inner), accuracy: None };
        conversion.accuracy =
            table.accuracy.map(|keys| read_accuracy(self.source, &keys, &conversion).map(Arc::new)).transpose()?;
        let dimension = conversion.dimension();
        let size = |value: Option<&Spanned<AsWritten<Measure>>>, example| {
            value.map(|value| above_zero(self.source, value, dimension, example)).transpose()
        };
        let (range, digit) = (size(table.range.as_ref(), "60 A")?, size(table.digit.as_ref(), "10 mA")?);
        Ok(ChannelSpec { name, reads, conversion, range, digit })
    }

    /// The value of the frame that a channel reads; it may be left out where there is only one.
    fn reads(&self, table: &ChannelTable, protocol: &Protocol) -> Result<String, Mistake> {
        match (&table.reads, protocol.value_names()) {
            (Some(reads), Some(names)) if !protocol.may_carry(reads.get_ref()) => {
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

    fn name(&self, name: &Spanned<String>) -> Result<String, Mistake> {
        match name.get_ref().trim() {
            "" => Err(self.source.mistake(name.span(), "found an empty name, expected one to call it by")),
            trimmed => Ok(trimmed.to_owned()),
        }
    }
}

#[cfg(test)]
#[path = "bench_tests.rs"]
mod tests;
